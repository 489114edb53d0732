package port

import (
	"os"
	"path/filepath"
	"strings"
	"unicode"
)

// list reads sysfs. The serial library's own list opens every /dev/ttyS*, which
// raises modem lines and, for root, sets a port in use to 9600 baud: not while
// a cut-off or a meter may hang on one.
func list() ([]Info, error) { return listSys("/sys/class/tty", "/dev") }

// listSys lists the ttys below class that have hardware behind them.
func listSys(class, dev string) ([]Info, error) {
	entries, err := os.ReadDir(class)
	if err != nil {
		return nil, err
	}
	ports := []Info{}
	for _, e := range entries {
		dir := filepath.Join(class, e.Name())
		device, err := filepath.EvalSymlinks(filepath.Join(dir, "device"))
		if err != nil || attr(dir, "type") == "0" { // a place for a UART with none in it
			continue
		}
		p := Info{Port: filepath.Join(dev, e.Name())}
		// The USB device is a few levels above its tty, more for some drivers.
		for d := device; len(d) > 1; d = filepath.Dir(d) {
			if vid := attr(d, "idVendor"); vid != "" {
				p.VID, p.PID = vid, attr(d, "idProduct")
				p.Serial, p.Product = attr(d, "serial"), attr(d, "product")
				break
			}
		}
		ports = append(ports, p)
	}
	return ports, nil
}

// attr is a sysfs attribute, empty when there is none. A USB device names itself
// as it likes: what a terminal would obey is left out.
func attr(dir, name string) string {
	b, _ := os.ReadFile(filepath.Join(dir, name))
	return strings.TrimSpace(strings.Map(func(r rune) rune {
		if unicode.IsPrint(r) {
			return r
		}
		return -1
	}, string(b)))
}
