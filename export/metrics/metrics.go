// Package metrics shows the state to Prometheus: text exposition and
// OpenMetrics, on a registry of its own. What is not known is absent, never
// zero and never the last figure.
package metrics

import (
	"net/http"
	"runtime"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/promhttp"

	"nightsoak/acquire/socket"
	"nightsoak/alarms"
	"nightsoak/drivers"
	"nightsoak/export"
)

func desc(name, help string, labels ...string) *prometheus.Desc {
	return prometheus.NewDesc("nightsoak_"+name, help, labels, nil)
}

// perSocket are the gauges that every socket has, with how to find each.
var perSocket = []struct {
	desc *prometheus.Desc
	of   func(*alarms.SocketState) socket.Value
}{
	{desc("socket_cathode_current_amperes", "Cathode current: plate and screen together. Absent when not known.", "socket", "tube"),
		func(s *alarms.SocketState) socket.Value { return s.CathodeCurrent }},
	{desc("socket_plate_current_amperes", "Plate current; equals the cathode current, at most, where the screen's share is neither measured nor set. Absent when not known.", "socket", "tube"),
		func(s *alarms.SocketState) socket.Value { return s.PlateCurrent }},
	{desc("socket_plate_volts", "Plate to cathode voltage. Absent when not known.", "socket", "tube"),
		func(s *alarms.SocketState) socket.Value { return s.PlateVolts }},
	{desc("socket_plate_dissipation_watts", "Plate dissipation. Absent when not known.", "socket", "tube"),
		func(s *alarms.SocketState) socket.Value { return s.PlateDissipation }},
	{desc("socket_dissipation_ratio", "Plate dissipation as a ratio of the plate dissipation limit: 1 is at the limit. Absent when not known.", "socket", "tube"),
		func(s *alarms.SocketState) socket.Value { return s.DissipationRatio }},
	{desc("socket_settled", "1 when the current has settled, 0 when it has not.", "socket", "tube"),
		func(s *alarms.SocketState) socket.Value { return truth(s.Settled) }},
	{desc("socket_drift_per_hour_ratio", "Slope of the current over the last five minutes, as a ratio of it per hour. Absent when not known.", "socket", "tube"),
		func(s *alarms.SocketState) socket.Value { return s.DriftPerHour }},
}

var (
	htVolts   = desc("ht_volts", "Highest fresh plate supply reading, to chassis. Absent when not known.")
	htCharged = desc("ht_charged", "1 while the plate supply is still charged, 0 once the probe has read 60 V or less for 10 s, which proves no other place dead. Absent when not known: treat as charged.")
	watch     = desc("watch_value", "Value of a watch, in the SI unit named. Absent when not known.", "watch", "unit")

	alarmActive   = desc("alarm_active", "1 while the alarm's condition stands, 0 while it is over but not acknowledged or not reset, or put aside without its condition.", "alarm", "subject", "priority")
	meterReadings = desc("meter_readings_total", "Readings taken from the meter in this run.", "meter")
	meterAge      = desc("meter_reading_age_seconds", "Run time since the meter's last reading. Absent before the first.", "meter")
	meterRejected = desc("meter_rejected_frames_total", "Frames from the meter that were thrown away, by reason.", "meter", "reason")
	runInfo       = desc("run_info", "1, with the ticket and phase of the run that is on. Absent when none is.", "ticket", "phase")
	buildInfo     = desc("build_info", "1, with the version of nightsoak and of the Go toolchain that built it.", "version", "goversion")
)

type collector struct {
	state   func() export.State
	version string
}

// New is a collector that asks state at each scrape. The whole scrape shows
// one moment.
func New(state func() export.State, version string) prometheus.Collector {
	return &collector{state, version}
}

// Describe names every metric.
func (c *collector) Describe(ch chan<- *prometheus.Desc) {
	for _, p := range perSocket {
		ch <- p.desc
	}
	for _, d := range []*prometheus.Desc{htVolts, htCharged, watch, alarmActive, meterReadings, meterAge, meterRejected, runInfo, buildInfo} {
		ch <- d
	}
}

// Collect shows the state of this moment.
func (c *collector) Collect(ch chan<- prometheus.Metric) {
	gauge := func(d *prometheus.Desc, v socket.Value, labels ...string) {
		if v.Known {
			ch <- prometheus.MustNewConstMetric(d, prometheus.GaugeValue, v.X, labels...)
		}
	}
	s := c.state()
	gauge(buildInfo, truth(true), c.version, runtime.Version())
	if s.RunID != "" {
		gauge(runInfo, truth(true), s.Ticket, string(s.Snapshot.Phase))
	}
	gauge(htVolts, s.Snapshot.HT.Volts)
	if c := s.Snapshot.HT.Charged; c != nil {
		gauge(htCharged, truth(*c))
	}
	for i := range s.Snapshot.Sockets {
		k := &s.Snapshot.Sockets[i]
		for _, p := range perSocket {
			gauge(p.desc, p.of(k), k.Name, k.Tube)
		}
	}
	for _, w := range s.Snapshot.Watches {
		gauge(watch, w.Value, w.Name, w.SIUnit())
	}
	for i := range s.Snapshot.Meters {
		m := &s.Snapshot.Meters[i]
		ch <- prometheus.MustNewConstMetric(meterReadings, prometheus.CounterValue, float64(m.Readings), m.Name)
		gauge(meterAge, m.Age, m.Name)
		for why, n := range s.Rejected(i) {
			ch <- prometheus.MustNewConstMetric(meterRejected, prometheus.CounterValue, float64(n), m.Name, drivers.Reason(why).String())
		}
	}
	for _, a := range s.Snapshot.Alarms {
		gauge(alarmActive, truth(a.Active), a.Alarm, a.Subject, string(a.Priority))
	}
}

// truth is 1 or 0.
func truth(b bool) socket.Value {
	if b {
		return socket.Value{X: 1, Known: true}
	}
	return socket.Value{Known: true}
}

// Handler serves the collectors at /metrics, as text or as OpenMetrics, from a
// registry of its own.
func Handler(c ...prometheus.Collector) http.Handler {
	r := prometheus.NewRegistry()
	r.MustRegister(c...)
	return promhttp.HandlerFor(r, promhttp.HandlerOpts{Registry: r, EnableOpenMetrics: true})
}
