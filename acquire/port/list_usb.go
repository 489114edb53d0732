//go:build windows || (darwin && cgo)

package port

import (
	"strings"

	"go.bug.st/serial/enumerator"
)

func list() ([]Info, error) {
	found, err := enumerator.GetDetailedPortsList()
	if err != nil {
		return nil, err
	}
	ports := []Info{}
	for _, p := range found {
		ports = append(ports, Info{Port: p.Name, VID: strings.ToLower(p.VID), PID: strings.ToLower(p.PID),
			Serial: p.SerialNumber, Product: p.Product})
	}
	return ports, nil
}
