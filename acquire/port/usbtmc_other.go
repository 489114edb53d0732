//go:build !linux

package port

import "errors"

func openUSBTMC(spec, _ string) (Conn, error) {
	return nil, fail(spec, errors.ErrUnsupported, "USBTMC instruments are opened on Linux only: use the meter's LAN socket, tcp://host:port")
}
