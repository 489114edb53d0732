//go:build !linux

package main

import (
	"time"

	"nightsoak/alarms/walkaway"
)

// What is asked cheaply of Linux is not known elsewhere: a person waives or confirms.

func diskAt(string) walkaway.Disk { return walkaway.Disk{} }
func clockSynced() string         { return "" }
func staysAwake() string          { return "" }
func hostSlept() time.Duration    { return 0 }
