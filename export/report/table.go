package report

import (
	"bufio"
	"encoding/json"
	"fmt"
	"io"
	"math"
	"strconv"
	"time"

	"nightsoak/acquire/socket"
)

// TableStep is the run time that one row of a Table stands for.
const TableStep = 10 * time.Second

// The columns of a socket in a Table. All but the last are means over the
// row's readings; the last is the greatest, so that no moment is hidden.
var tableColumns = [...]string{"cathode_current_a", "plate_current_a", "plate_volts", "plate_dissipation_w", "dissipation_ratio", "dissipation_ratio_max"}

const tableWidth = len(tableColumns)

// Table is a run's figures at one row per TableStep from run time 0, in SI
// units and ratios. NaN is unknown: nothing was measured in that time. It
// takes 24 bytes a socket and row. Its zero value is of no sockets.
type Table struct {
	Sockets int
	Rows    []float32 // row by row, socket by socket, column by column

	row   int // the one that is being added up
	sum   []float64
	count []int
}

// NewTable makes an empty table.
func NewTable(sockets int) *Table {
	t := &Table{Sockets: sockets, sum: make([]float64, sockets*tableWidth), count: make([]int, sockets*tableWidth)}
	t.clear()
	return t
}

func (t *Table) clear() {
	clear(t.count)
	for i := range t.sum {
		t.sum[i] = 0
		if i%tableWidth == tableWidth-1 {
			t.sum[i] = math.Inf(-1)
		}
	}
}

// Add takes what became known of a socket at a run time. Times must not go back.
func (t *Table) Add(i int, at time.Duration, f *socket.Figures) {
	for row := int(at / TableStep); t.row < row; t.row++ {
		t.finish()
	}
	k := i * tableWidth
	for _, v := range [...]socket.Value{f.CathodeCurrent, f.PlateCurrent, f.PlateVolts, f.PlateDissipation, f.DissipationRatio} {
		if v.Known {
			t.sum[k] += v.X
			t.count[k]++
		}
		k++
	}
	if r := f.DissipationRatio; r.Known {
		t.sum[k] = max(t.sum[k], r.X)
		t.count[k] = 1
	}
}

// finish puts the row being added up under the others.
func (t *Table) finish() {
	for i, n := range t.count {
		x := math.NaN()
		if n > 0 {
			x = t.sum[i] / float64(n)
		}
		t.Rows = append(t.Rows, float32(x))
	}
	t.clear()
}

// Close is the table with its last, perhaps shorter, row; t may be added to further.
func (t *Table) Close() *Table {
	c := &Table{Sockets: t.Sockets, Rows: t.Rows[:len(t.Rows):len(t.Rows)], sum: t.sum, count: append([]int(nil), t.count...)}
	c.sum = append([]float64(nil), t.sum...)
	for _, n := range t.count {
		if n > 0 {
			c.finish()
			break
		}
	}
	return c
}

// writeFigures writes the table as CSV: a head, then a row per TableStep with its run
// time in seconds and wall clock; an empty cell is unknown.
func writeFigures(w io.Writer, f *facts) error {
	b := bufio.NewWriter(w)
	b.WriteString("t,time")
	for _, s := range f.Job.Sockets {
		for _, c := range tableColumns {
			b.WriteString("," + csvName(s.Name+" "+c))
		}
	}
	b.WriteString("\n")
	var cell []byte
	if t := f.Table; t != nil && t.Sockets > 0 {
		width := t.Sockets * tableWidth
		for row := range len(t.Rows) / width {
			at := time.Duration(row) * TableStep
			cell = strconv.AppendInt(cell[:0], int64(at/time.Second), 10)
			cell = f.Started.Add(at).UTC().AppendFormat(append(cell, ','), time.RFC3339)
			for _, x := range t.Rows[row*width : (row+1)*width] {
				if cell = append(cell, ','); x == x {
					cell = strconv.AppendFloat(cell, float64(x), 'g', 5, 64)
				}
			}
			b.Write(append(cell, '\n'))
		}
	}
	return b.Flush()
}

// csvName quotes a name that would not stand as it is.
func csvName(s string) string {
	quoted := false
	out := make([]rune, 0, len(s)+2)
	for _, r := range s {
		quoted = quoted || r == ',' || r == '"'
		if r == '"' {
			out = append(out, '"')
		}
		out = append(out, r)
	}
	if quoted {
		return `"` + string(out) + `"`
	}
	return string(out)
}

// writeEvents writes the events as a JSON array, each alone on its line in the
// very bytes of its json.Marshal.
func writeEvents(w io.Writer, f *facts) error {
	b := bufio.NewWriter(w)
	b.WriteString("[")
	for i := range f.Events {
		e, err := json.Marshal(f.Events[i])
		if err != nil {
			return fmt.Errorf("report: event %d: %w", i+1, err)
		}
		if i > 0 {
			b.WriteString(",")
		}
		b.WriteString("\n")
		b.Write(e)
	}
	b.WriteString("\n]\n")
	return b.Flush()
}
