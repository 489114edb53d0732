//go:build !linux

package port

// holder would name the program that has the device: not known here.
func holder(string) string { return "" }

func program(int) string { return "this program" }

func lockHolder(string) string { return "" }

func openers() map[string]string { return nil }
