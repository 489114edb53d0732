package bench

import (
	"slices"

	"nightsoak/drivers"
)

// FirstPower is [first_power]: what the first power-up after a repair is
// expected to show. Without it, what needs a figure of it is not judged.
type FirstPower struct {
	PlateVolts float64 // expected plate supply at full mains, volt; 0 when not given
	Tolerance  float64 // ratio of PlateVolts that it may pass it by
	Mains      Nominal // what the variac gives
	Heaters    Nominal // heater volts; without them the heaters are taken to follow the mains
}

// Nominal is a watch and what it shows when all is on.
type Nominal struct {
	Watch int     // index into Job.Watches
	Volts float64 // 0 when not given: Watch means nothing then
}

// firstPower reads [first_power] of a job whose watches are known.
func (j *Job) firstPower(top *table) FirstPower {
	t, _ := top.sub("first_power")
	f := FirstPower{
		PlateVolts: get(t, "plate_volts", 0, amount(drivers.Voltage, 2000, "460V")),
		Tolerance:  get(t, "tolerance", 0.10, percent(1)),
		Mains:      j.nominal(t, "mains"),
		Heaters:    j.nominal(t, "heaters"),
	}
	if t.has("tolerance") && !t.has("plate_volts") {
		t.fail("tolerance", "is that of plate_volts, which is not given")
	}
	t.done()
	return f
}

func (j *Job) nominal(t *table, key string) Nominal {
	n, given := t.sub(key)
	if !given {
		return Nominal{}
	}
	name := need(n, "watch", text)
	x := Nominal{Volts: need(n, "volts", within(0, 1000, " V"))}
	x.Watch = slices.IndexFunc(j.Watches, func(w Watch) bool { return w.Name == name })
	switch {
	case x.Watch < 0 && name != "":
		var names []string
		for _, w := range j.Watches {
			names = append(names, w.Name)
		}
		n.fail("watch", "no such [[watch]] in this job; %s", known(name, names))
	case x.Watch >= 0 && j.Watches[x.Watch].Quantity != drivers.Voltage:
		n.fail("watch", "reads in %s; this needs volts", j.Watches[x.Watch].Quantity.SIUnit())
	}
	n.done()
	return x
}
