package main

import (
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"syscall"
	"testing"
	"time"

	"nightsoak/acquire/emulate/night"
)

// BenchmarkReport is the whole process, from its start to the file in place, for
// a recorded night of nine meters and 11 h 48 min: the first report, which judges
// the night again, and those after it. Medians over -benchtime Nx; cpu-ms is user and system time, which other work on the machine
// stretches less than it does ms; MB is the greatest resident set.
func BenchmarkReport(b *testing.B) {
	dir := b.TempDir()
	binary := filepath.Join(dir, "nightsoak")
	if out, err := exec.Command("go", "build", "-o", binary, ".").CombinedOutput(); err != nil {
		b.Fatalf("%v: %s", err, out)
	}
	data := filepath.Join(dir, "data")
	info := recordNight(b, data, night.RunawayGas, 66)
	b.Logf("%d readings of %d meters in %v", info.Readings, len(info.Meters), info.Advanced)
	measure := func(b *testing.B, suffix string, before func()) {
		var took, cpu, most []float64
		for b.Loop() {
			before()
			begun := time.Now()
			c := exec.Command(binary, "report", info.ID, "--data", data, "--out", filepath.Join(dir, "r"+suffix))
			if out, err := c.CombinedOutput(); err != nil {
				b.Fatalf("%v: %s", err, out)
			}
			took = append(took, float64(time.Since(begun).Milliseconds()))
			cpu = append(cpu, float64((c.ProcessState.UserTime() + c.ProcessState.SystemTime()).Milliseconds()))
			most = append(most, float64(c.ProcessState.SysUsage().(*syscall.Rusage).Maxrss)/1024)
		}
		slices.Sort(took)
		slices.Sort(cpu)
		slices.Sort(most)
		b.ReportMetric(took[len(took)/2], "ms/report")
		b.ReportMetric(cpu[len(cpu)/2], "cpu-ms")
		b.ReportMetric(most[len(most)/2], "MB")
	}
	for _, suffix := range []string{".pdf", ".html"} {
		b.Run("first"+suffix, func(b *testing.B) {
			measure(b, suffix, func() { os.RemoveAll(filepath.Join(data, "judged")) })
		})
		b.Run("kept"+suffix, func(b *testing.B) { measure(b, suffix, func() {}) })
	}
}
