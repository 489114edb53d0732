//go:build servers && linux

package main

import (
	"bytes"
	"fmt"
	"io"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
)

// One real ser2net has a pseudo-terminal of each meter and gives each to the
// daemon as an RFC 2217 port.
func TestCapturesOverSer2net(t *testing.T) {
	t.Parallel()
	throughDaemon(t, func(t *testing.T, n int) (ports []string, meters []io.ReadWriter) {
		var config strings.Builder
		var held []net.Listener // until a port is found for each
		for i := range n {
			free, err := net.Listen("tcp", "127.0.0.1:0")
			if err != nil {
				t.Fatal(err)
			}
			held = append(held, free)
			master, path := rawTerminal(t)
			_, number, _ := net.SplitHostPort(free.Addr().String())
			fmt.Fprintf(&config, "connection: &m%d\n  accepter: telnet(rfc2217=true),tcp,127.0.0.1,%s\n  connector: serialdev(nouucplock=true),%s,local\n", i, number, path)
			ports, meters = append(ports, "rfc2217://127.0.0.1:"+number), append(meters, master)
		}
		file := filepath.Join(t.TempDir(), "ser2net.yaml")
		if err := os.WriteFile(file, []byte(config.String()), 0o600); err != nil {
			t.Fatal(err)
		}
		for _, l := range held {
			l.Close()
		}
		server := exec.Command("ser2net", "-n", "-c", file)
		var says bytes.Buffer
		server.Stderr = &says
		if err := server.Start(); err != nil {
			t.Fatalf("%v: apt-get install ser2net", err)
		}
		t.Cleanup(func() {
			_ = server.Process.Kill() // it may have ended
			_ = server.Wait()
			if t.Failed() {
				t.Logf("ser2net: %s", &says)
			}
		})
		return ports, meters
	})
}
