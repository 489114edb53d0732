// Command dashboards writes the ready dashboards beside it, as JSON for the
// dashboard server that most people run before Prometheus or VictoriaMetrics.
// A typed builder makes them, so that no key is misspelt; it is a module of its
// own, so that the builder is nobody's dependency:
//
//	cd export/metrics/dashboards && go run .
package main

import (
	"encoding/json"
	"fmt"
	"os"

	"github.com/grafana/grafana-foundation-sdk/go/cog"
	"github.com/grafana/grafana-foundation-sdk/go/common"
	"github.com/grafana/grafana-foundation-sdk/go/dashboard"
	"github.com/grafana/grafana-foundation-sdk/go/prometheus"
	"github.com/grafana/grafana-foundation-sdk/go/stat"
	"github.com/grafana/grafana-foundation-sdk/go/statetimeline"
	"github.com/grafana/grafana-foundation-sdk/go/table"
	"github.com/grafana/grafana-foundation-sdk/go/timeseries"
)

func main() {
	for name, d := range all() {
		text, err := render(d)
		if err == nil {
			err = os.WriteFile(name, text, 0o644)
		}
		if err != nil {
			fmt.Fprintln(os.Stderr, name+":", err)
			os.Exit(1)
		}
	}
}

func render(d *dashboard.DashboardBuilder) ([]byte, error) {
	built, err := d.Build()
	if err != nil {
		return nil, err
	}
	text, err := json.MarshalIndent(built, "", "  ")
	return append(text, '\n'), err
}

// all are the dashboards by file. Night asks for what line protocol has put into
// VictoriaMetrics, the others for what is scraped from /metrics.
func all() map[string]*dashboard.DashboardBuilder {
	return map[string]*dashboard.DashboardBuilder{"wall.json": wall(), "warm-up.json": warmUp(), "night.json": night(), "benches.json": benches()}
}

func of[T any](x T) *T { return &x }

var source = common.DataSourceRef{Type: of("prometheus"), Uid: of("${source}")}

// page is an empty dashboard; each label is a variable to choose by, whose
// values come from metric, narrowed by the labels before it.
func page(uid, title, about, span, metric string, several bool, labels ...string) *dashboard.DashboardBuilder {
	d := dashboard.NewDashboardBuilder(title).Uid("nightsoak-"+uid).Description(about).Tags([]string{"nightsoak"}).
		Timezone("browser").Time("now-"+span, "now").Refresh("5s").Readonly().Tooltip(dashboard.DashboardCursorSyncCrosshair).
		WithVariable(dashboard.NewDatasourceVariableBuilder("source").Label("database").Type("prometheus"))
	narrowed := ""
	for _, l := range labels {
		d.WithVariable(dashboard.NewQueryVariableBuilder(l).Label(l).Datasource(source).Multi(several).IncludeAll(several).
			Query(dashboard.StringOrMap{String: of(fmt.Sprintf("label_values(%s{%s}, %s)", metric, narrowed, l))}).
			Refresh(dashboard.VariableRefreshOnTimeRangeChanged).Sort(dashboard.VariableSortAlphabeticalAsc))
		narrowed = l + `=~"$` + l + `"`
	}
	return d
}

func ask(expr, legend string) *prometheus.DataqueryBuilder {
	return prometheus.NewDataqueryBuilder().Expr(expr).LegendFormat(legend).Datasource(source)
}

// now asks for the last value only.
func now(expr, legend string) *prometheus.DataqueryBuilder { return ask(expr, legend).Instant() }

// steps are colours from a value on; each also has a word beside it somewhere,
// for no colour is to be the only sign.
func steps(base string, more ...dashboard.Threshold) cog.Builder[dashboard.ThresholdsConfig] {
	return dashboard.NewThresholdsConfigBuilder().Mode(dashboard.ThresholdsModeAbsolute).
		Steps(append([]dashboard.Threshold{{Color: base}}, more...))
}

func from(value float64, color string) dashboard.Threshold {
	return dashboard.Threshold{Value: &value, Color: color}
}

// ofLimit are the colours of a ratio of the dissipation limit.
func ofLimit() cog.Builder[dashboard.ThresholdsConfig] {
	return steps("text", from(0.9, "orange"), from(1, "red"))
}

func trend(title, unit string, wide, high uint32, queries ...*prometheus.DataqueryBuilder) *timeseries.PanelBuilder {
	p := timeseries.NewPanelBuilder().Title(title).Unit(unit).Span(wide).Height(high).Datasource(source).
		LineWidth(1).FillOpacity(0).ShowPoints(common.VisibilityModeNever)
	for _, q := range queries {
		p.WithTarget(q)
	}
	return p
}

func figure(title, unit string, wide, high uint32, queries ...*prometheus.DataqueryBuilder) *stat.PanelBuilder {
	p := stat.NewPanelBuilder().Title(title).Unit(unit).Span(wide).Height(high).Datasource(source).NoValue("unknown").
		GraphMode(common.BigValueGraphModeNone).ColorMode(common.BigValueColorModeValue).TextMode(common.BigValueTextModeValueAndName).
		ReduceOptions(common.NewReduceDataOptionsBuilder().Calcs([]string{"last"})).Thresholds(steps("text"))
	for _, q := range queries {
		p.WithTarget(q)
	}
	return p
}

// standing lists the alarms whose condition stands.
func standing(wide, high uint32) *table.PanelBuilder {
	hide := []dashboard.DynamicConfigValue{{Id: "custom.hidden", Value: true}}
	p := table.NewPanelBuilder().Title("Alarms that stand").Span(wide).Height(high).Datasource(source).NoValue("none stands").
		Description("What to do about each stands on the bench's own panel.").
		WithTarget(now("nightsoak_alarm_active"+chosen+" == 1", "").Format(prometheus.PromQueryFormatTable))
	for _, column := range []string{"Time", "Value", "__name__", "instance", "job"} {
		p.OverrideByName(column, hide)
	}
	return p
}

// What is scraped has a job, what came as lines has none: one database may hold both.
const chosen = `{job="nightsoak",bench=~"$bench"}`

func wall() *dashboard.DashboardBuilder {
	return page("wall", "Soak: wall", "One bench, to be read from across the room. A second pair of eyes: alarms are told by the daemon itself.", "30m", "nightsoak_build_info", false, "bench").
		WithPanel(figure("Plate dissipation, of the limit", "percentunit", 24, 8, now("nightsoak_socket_dissipation_ratio"+chosen, "{{socket}} {{tube}}")).
			Decimals(0).Thresholds(ofLimit())).
		WithPanel(figure("HT at the probe", "volt", 6, 5, now("nightsoak_ht_volts"+chosen, "HT")).Decimals(0)).
		WithPanel(figure("Phase", "none", 6, 5, now("nightsoak_run_info"+chosen, "{{ticket}}: {{phase}}")).TextMode(common.BigValueTextModeName)).
		WithPanel(figure("Oldest meter", "s", 6, 5, now("max by (bench) (nightsoak_meter_reading_age_seconds"+chosen+")", "last heard")).
			Decimals(0).Thresholds(steps("text", from(5, "orange"), from(30, "red")))).
		WithPanel(figure("Daemon", "none", 6, 5, now("up"+chosen, "answers (1) or not (0)")).Thresholds(steps("red", from(1, "text")))).
		WithPanel(standing(24, 7))
}

func warmUp() *dashboard.DashboardBuilder {
	return page("warm-up", "Soak: warm-up", "The first hour: how the currents come up, and when they rest.", "1h", "nightsoak_build_info", false, "bench").
		WithPanel(trend("Cathode current", "amp", 24, 10, ask("nightsoak_socket_cathode_current_amperes"+chosen, "{{socket}}"))).
		WithPanel(trend("Drift, per hour", "percentunit", 12, 8, ask("nightsoak_socket_drift_per_hour_ratio"+chosen, "{{socket}}"))).
		WithPanel(trend("HT at the probe", "volt", 12, 8, ask("nightsoak_ht_volts"+chosen, "HT"))).
		WithPanel(statetimeline.NewPanelBuilder().Title("Settled").Span(24).Height(6).Datasource(source).
			Mappings([]dashboard.ValueMapping{{ValueMap: &dashboard.ValueMap{Type: "value", Options: map[string]dashboard.ValueMappingResult{
				"0": {Text: of("not yet")}, "1": {Text: of("settled")}}}}}).
			WithTarget(ask("nightsoak_socket_settled"+chosen, "{{socket}}")))
}

func night() *dashboard.DashboardBuilder {
	run := `{job="",bench=~"$bench",ticket=~"$ticket"}`
	return page("night", "Soak: night", "A whole run as line protocol brought it to VictoriaMetrics, live or sent again by nightsoak export.", "12h", "nightsoak_meter_value", false, "bench", "ticket").
		WithPanel(trend("Plate dissipation, of the limit", "percentunit", 24, 9, ask("avg_over_time(nightsoak_socket_dissipation_ratio"+run+"[$__interval])", "{{socket}}")).
			Thresholds(ofLimit()).ThresholdsStyle(common.NewGraphThresholdsStyleConfigBuilder().Mode(common.GraphThresholdsStyleModeLine))).
		WithPanel(trend("Cathode current", "amp", 12, 9, ask("avg_over_time(nightsoak_socket_cathode_current_a"+run+"[$__interval])", "{{socket}}"))).
		WithPanel(trend("Plate volts", "volt", 12, 9, ask("avg_over_time(nightsoak_socket_plate_volts"+run+"[$__interval])", "{{socket}}"))).
		WithPanel(trend("Every meter: lowest and highest", "none", 24, 9,
			ask("min_over_time(nightsoak_meter_value"+run+"[$__interval])", "{{meter}} lowest, {{unit}}"),
			ask("max_over_time(nightsoak_meter_value"+run+"[$__interval])", "{{meter}} highest, {{unit}}"))).
		WithPanel(trend("Readings a second", "none", 24, 6, ask("sum by (bench, meter) (count_over_time(nightsoak_meter_value"+run+"[1m])) / 60", "{{meter}}")))
}

func benches() *dashboard.DashboardBuilder {
	return page("benches", "Soak: benches", "All benches at a glance: which one to walk to.", "12h", "nightsoak_build_info", true, "bench").
		WithPanel(figure("Hottest socket, of its limit", "percentunit", 24, 6, now("max by (bench) (nightsoak_socket_dissipation_ratio"+chosen+")", "{{bench}}")).
			Decimals(0).Thresholds(ofLimit())).
		WithPanel(figure("Daemons", "none", 12, 5, now("up"+chosen, "{{bench}}: answers (1) or not (0)")).Thresholds(steps("red", from(1, "text")))).
		WithPanel(figure("Phase", "none", 12, 5, now("nightsoak_run_info"+chosen, "{{bench}}: {{ticket}}, {{phase}}")).TextMode(common.BigValueTextModeName)).
		WithPanel(standing(24, 7)).
		WithPanel(trend("Hottest socket, of its limit", "percentunit", 12, 9, ask("max by (bench) (nightsoak_socket_dissipation_ratio"+chosen+")", "{{bench}}"))).
		WithPanel(trend("Readings a second", "none", 12, 9, ask("sum by (bench) (rate(nightsoak_meter_readings_total"+chosen+"[1m]))", "{{bench}}")))
}
