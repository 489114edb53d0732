package drivers

import (
	"fmt"
	"time"
)

// DrainFor is how long Drain bears with one that talks, wall time: whoever still
// talks then was not waiting to be asked.
const DrainFor = 2 * time.Second

// Drain throws away what is still on its way, until nothing has come for the
// silence given. Its error is the port's. A line that is not silent within
// [DrainFor] is no error of the port: talk is then the last that came, at most 40
// bytes, else nil.
func Drain(c Conn, silence time.Duration) (talk []byte, err error) {
	if err := c.SetReadTimeout(silence); err != nil {
		return nil, fmt.Errorf("set the read timeout: %w", err)
	}
	var buf [256]byte
	for end := time.Now().Add(DrainFor); time.Now().Before(end); {
		n, err := c.Read(buf[:])
		if err != nil {
			return nil, fmt.Errorf("drain the input: %w", err)
		}
		if n == 0 {
			return nil, nil
		}
		talk = append(talk[:0], buf[max(0, n-40):n]...)
	}
	return talk, nil
}
