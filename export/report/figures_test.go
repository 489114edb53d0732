package report

import (
	"encoding/json"
	"math"
	"regexp"
	"strings"
	"testing"
	"time"

	"nightsoak/acquire/socket"
	"nightsoak/acquire/tube"
	"nightsoak/alarms"
)

var wholeTag = regexp.MustCompile(`<[^>]*>`)

// text is a page as a reader has it: no tags, blanks single.
func text(t *testing.T, d *Data) string {
	return strings.Join(strings.Fields(wholeTag.ReplaceAllString(write(t, ".html", d), " ")), " ")
}

func TestFiguresOnThePage(t *testing.T) {
	for _, c := range []struct {
		name      string
		change    func(*Data)
		says, not []string
	}{
		{"screen not known", func(*Data) {},
			[]string{"Taken 0:12:51 into the run", "at most", "At most for V5, V6, V7 and V8: the screen current is neither measured nor set",
				"3.5 to 9 % of the cathode current of a 6L6GC", "not applied", "5 W at the screen and 500 V at the plate", "32.8 ± 0.3 % of the HT fuse of 500 mA",
				"0:11:00 34.1 ± 0.6 mA 470 ± 3 V 53.4 ± 1.0 % 0:12:37 40.4 ± 0.6 mA", "sense resistor 1 Ω"}, []string{"over by less"}},
		{"screen set as a share", func(d *Data) {
			for i := range d.Job.Sockets {
				d.Job.Sockets[i].ScreenShare = 0.06
			}
			d.idled([]float64{0.0412, 0.0404, 0.0409, 0.0417})
		}, []string{"Screen mA", "2.47 ± "}, []string{"at most", "At most for"}},
		{"a triode has no screen", func(d *Data) {
			for i := range d.Job.Sockets {
				d.Job.Sockets[i].Tube = &tube.Type{Name: "300B"}
			}
		}, []string{"no limit known"}, []string{"at most", "At most for"}},
		{"over by less than the uncertainty", func(d *Data) { d.Idle.Sockets[0].DissipationRatio = known(1.01, 0.006) },
			[]string{"101.0 ± 1.2 % of 30 W over by less than the uncertainty"}, nil},
		{"over", func(d *Data) { d.Idle.Sockets[0].PlateVoltsRatio = known(1.02, 0.003) },
			[]string{"102.0 ± 0.6 % of 500 V over "}, []string{"over by less"}},
		{"turned and not settled since", func(d *Data) {
			d.Final.Sockets[1].AsLeft = nil
			at := alarms.Seconds(2 * time.Hour)
			d.Events = append(d.Events, alarms.Event{T: at, Event: alarms.EventAct, Act: "adjusted", Socket: "V6"})
		}, []string{"Taken at the end of the record, 3:00:00 into the run; V6 not settled.", "not settled since"}, []string{"Taken 0:12"}},
		{"no trimmer turned", func(d *Data) { d.Final.Sockets[1].AsFound, d.Final.Sockets[1].AsLeft = nil, nil }, nil, []string{"As found"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			d := night(3*time.Hour, false)
			c.change(d)
			page := text(t, d)
			for _, s := range c.says {
				if !strings.Contains(page, s) {
					t.Errorf("the page does not say %q:\n%s", s, page[strings.Index(page, "Figures at idle"):])
				}
			}
			for _, s := range c.not {
				if strings.Contains(page, s) {
					t.Errorf("the page says %q", s)
				}
			}
		})
	}
}

func TestOverByHowMuch(t *testing.T) {
	for _, c := range []struct {
		v    socket.Value
		want string
	}{
		{socket.Value{}, ""}, {known(1, 0.01), ""}, {known(0.999, 0), ""}, {known(1.001, 0), "over"},
		{known(1.019, 0.01), "over by less than the uncertainty"}, {known(1.021, 0.01), "over"},
	} {
		if got := over(c.v, 1); got != c.want {
			t.Errorf("%v: %q, want %q", c.v, got, c.want)
		}
	}
	d := night(3*time.Hour, false)
	d.Worst[2].Ratio = known(1.01, 0.008)
	if got, want := gather(d).verdict().Headline, "Settled, but for a moment V7 was over by less than the uncertainty of the measurement."; got != want {
		t.Errorf("headline %q, want %q", got, want)
	}
}

// TestBudgetIsOfTheFigure: what the lines of a budget come to is the
// uncertainty that the table gives.
func TestBudgetIsOfTheFigure(t *testing.T) {
	f := gather(night(3*time.Hour, false))
	for i := range f.Job.Sockets {
		s, k := &f.Job.Sockets[i], &f.Idle.Sockets[i]
		b := socket.NewBudget(s, f.measured(s, &f.Idle))
		var sum float64
		for _, l := range b.Lines {
			sum = math.Hypot(sum, l.Contribution)
		}
		if math.Abs(b.Ratio/k.DissipationRatio.X-1) > 1e-6 || !(math.Abs(sum/k.DissipationRatio.U-1) < 1e-6) {
			t.Errorf("%s: budget %g with u %g, figure %+v", s.Name, b.Ratio, sum, k.DissipationRatio)
		}
		if lines := f.budget(s, &f.Idle, k); len(lines) != len(b.Lines)+1 || lines[0].Name != s.Name || !lines[len(lines)-1].Sum {
			t.Errorf("%s: lines %+v", s.Name, lines)
		}
	}
}

func TestFiguresInJSON(t *testing.T) {
	var r struct {
		FiguresT  float64 `json:"figures_t"`
		Amplifier map[string]struct{ Value, U95 *float64 }
		Sockets   []struct {
			Figures map[string]json.RawMessage
			AsFound *struct{ T float64 } `json:"as_found"`
			AsLeft  *struct{ T float64 } `json:"as_left"`
		}
	}
	if err := json.Unmarshal([]byte(write(t, ".json", night(3*time.Hour, false))), &r); err != nil {
		t.Fatal(err)
	}
	if r.FiguresT != 771 || len(r.Sockets) != 4 || r.Sockets[0].AsFound != nil || r.Sockets[1].AsFound == nil || r.Sockets[1].AsFound.T != 660 || r.Sockets[1].AsLeft.T != 757 {
		t.Errorf("%+v", r)
	}
	if a := r.Amplifier["ht_current_a"]; a.Value == nil || *a.Value != 0.1642 || a.U95 == nil || !(*a.U95 > 0) {
		t.Errorf("amplifier %+v", r.Amplifier)
	}
	if f := r.Sockets[0].Figures; string(f["screen_current_a"]) != `{"value":null,"u95":null}` || string(f["plate_at_most"]) != "true" {
		t.Errorf("figures %s", f)
	}
}
