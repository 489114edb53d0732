package bench

import "testing"

func TestFirstPower(t *testing.T) {
	const job = `ticket = "R-1187"
[[socket]]
name  = "V5"
tube  = "6L6GC"
sense = { meter = "k1", ohms = 1.0 }
plate = { meter = "ht" }
[[watch]]
name  = "mains"
meter = "k3"
unit  = "V"
[[watch]]
name  = "heater"
meter = "h1"
unit  = "V"
`
	for _, c := range []struct {
		table string
		want  FirstPower
	}{
		{"", FirstPower{Tolerance: 0.10}},
		{"[first_power]\nplate_volts = \"460V\"\n", FirstPower{PlateVolts: 460, Tolerance: 0.10}},
		{"[first_power]\nplate_volts = \"0.46kV\"\ntolerance = \"5%\"\nmains = { watch = \"mains\", volts = 230 }\nheaters = { watch = \"heater\", volts = 6.3 }\n",
			FirstPower{460, 0.05, Nominal{0, 230}, Nominal{1, 6.3}}},
	} {
		j, err := ParseJob("job.toml", []byte(job+c.table), mustBench(t, "testdata/bench.toml"))
		if err != nil || j.FirstPower != c.want {
			t.Errorf("%s\n%+v, %v; want %+v", c.table, j, err, c.want)
		}
	}
}
