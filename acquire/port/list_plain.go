//go:build !linux && !windows && !(darwin && cgo)

package port

import "go.bug.st/serial"

// list knows no USB identities here: the library's enumerator does not build
// without cgo.
func list() ([]Info, error) {
	names, err := serial.GetPortsList()
	if err != nil {
		return nil, err
	}
	ports := []Info{}
	for _, n := range names {
		ports = append(ports, Info{Port: n})
	}
	return ports, nil
}
