package panel

import (
	"net/http"
	"os"
	"testing"
	"time"
)

func TestZZLook(t *testing.T) {
	dir := os.Getenv("ZZ")
	if dir == "" {
		return
	}
	mux := http.NewServeMux()
	for i, n := range []string{"well", "warm-up", "runaway", "over", "drift", "unknown", "cool-down", "discharged", "charge-unknown", "none", "1", "2", "6", "12", "stuck"} {
		f := scene(n)
		if n != "stuck" {
			go func() {
				for {
					time.Sleep(time.Second / 4)
					f.mu.Lock()
					f.state.Snapshot.T += time.Second / 4
					f.mu.Unlock()
				}
			}()
		}
		h := New(f, Options{})
		go http.ListenAndServe("127.0.0.1:"+[]string{"7800", "7801", "7802", "7803", "7804", "7805", "7806", "7807", "7808", "7809", "7810", "7811", "7812", "7813", "7814"}[i], h)
	}
	_ = mux
	select {}
}
