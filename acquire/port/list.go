package port

import (
	"cmp"
	"os"
	"path/filepath"
	"slices"
	"strings"
)

// Info is one serial port of this machine.
type Info struct {
	Port    string `json:"port"`                 // /dev/ttyUSB0
	VID     string `json:"usb_vid,omitempty"`    // USB vendor, four hexadecimal digits
	PID     string `json:"usb_pid,omitempty"`    // USB product, four hexadecimal digits
	Serial  string `json:"usb_serial,omitempty"` // USB serial number, where the adapter has one
	Product string `json:"product,omitempty"`    // what the adapter calls itself
	ByID    string `json:"by_id,omitempty"`      // a name that stays when the adapter is plugged elsewhere
	InUseBy string `json:"in_use_by,omitempty"`  // the program that has it, "nightsoak (pid 4711)"
}

// List finds the serial ports of this machine without opening any. Who uses
// them, and names by identity, are known on Linux only.
func List() ([]Info, error) {
	ports, err := list()
	if err != nil {
		return nil, err
	}
	names := byID("/dev/serial/by-id")
	users := openers()
	for i := range ports {
		p := &ports[i]
		p.ByID = names[p.Port]
		p.InUseBy = cmp.Or(lockHolder(p.Port), users[p.Port])
	}
	slices.SortFunc(ports, func(a, b Info) int {
		return cmp.Or(cmp.Compare(len(a.Port), len(b.Port)), strings.Compare(a.Port, b.Port))
	})
	return ports, nil
}

// byID maps device files to the links that udev keeps in dir. No directory is no links.
func byID(dir string) map[string]string {
	names := map[string]string{}
	entries, _ := os.ReadDir(dir)
	for _, e := range entries {
		link := filepath.Join(dir, e.Name())
		if real, err := filepath.EvalSymlinks(link); err == nil {
			names[real] = link
		}
	}
	return names
}
