package port

import (
	"fmt"
	"io/fs"
	"strconv"
	"strings"
)

// usbID is a parsed usb:VID:PID[:SERIAL].
type usbID struct{ vid, pid, serial string }

func parseUSB(spec string) (usbID, error) {
	f := strings.SplitN(spec, ":", 4) // a serial number may itself hold colons
	if len(f) < 3 || !hex4(f[1]) || !hex4(f[2]) || (len(f) == 4 && f[3] == "") {
		return usbID{}, fail(spec, ErrSpec,
			"write usb:VID:PID or usb:VID:PID:SERIAL, VID and PID in four hexadecimal digits, such as usb:10c4:ea60")
	}
	id := usbID{vid: f[1], pid: f[2]}
	if len(f) == 4 {
		id.serial = f[3]
	}
	return id, nil
}

func hex4(s string) bool {
	_, err := strconv.ParseUint(s, 16, 16)
	return err == nil && len(s) == 4
}

// resolveUSB finds the one port of the adapter that spec names.
func resolveUSB(spec string, ports []Info) (string, error) {
	id, err := parseUSB(spec)
	if err != nil {
		return "", err
	}
	var there, match []string
	path := ""
	for _, p := range ports {
		if p.VID == "" {
			continue
		}
		name := strings.TrimSuffix(fmt.Sprintf("usb:%s:%s:%s", p.VID, p.PID, p.Serial), ":") + " (" + p.Port + ")"
		there = append(there, name)
		if strings.EqualFold(p.VID, id.vid) && strings.EqualFold(p.PID, id.pid) && (id.serial == "" || p.Serial == id.serial) {
			match = append(match, name)
			path = p.Port
		}
	}
	switch len(match) {
	case 1:
		return path, nil
	case 0:
		if there == nil {
			there = []string{"no USB serial adapter at all"}
		}
		return "", fail(spec, fs.ErrNotExist, "no such adapter is plugged in; there is %s", strings.Join(there, ", "))
	}
	return "", fail(spec, ErrSpec, "%d ports match: %s: add the serial number, or name one by its link in /dev/serial/by-path",
		len(match), strings.Join(match, ", "))
}
