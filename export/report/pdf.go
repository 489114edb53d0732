package report

import (
	"bytes"
	"fmt"
	"io"
	"strings"
	"time"

	"codeberg.org/go-pdf/fpdf"

	"nightsoak/export/report/chart"
)

// writePDF writes the report on paper: a page for the owner, then those for
// the bench, with figures and events attached.
func writePDF(w io.Writer, f *facts) error {
	s := newSheet(f.Paper)
	v := f.view()
	title := strings.TrimSpace("Soak report " + f.Job.Ticket)
	s.SetTitle(title, true)
	s.SetSubject(given(f.Job.Amplifier), true)
	s.SetAuthor(strings.Trim(f.Job.Technician+", "+f.Job.Workshop.Name, ", "), true)
	s.SetCreator("nightsoak "+f.SoftwareVersion, true)
	s.SetProducer("nightsoak, with go-pdf/fpdf", true)
	s.SetLang("en")
	// The clock that counts is the run's: the same record gives the same bytes.
	at := f.Started.Add(f.End).UTC()
	if at.IsZero() { // which the library takes for now
		at = time.Unix(0, 0).UTC()
	}
	s.SetCreationDate(at)
	s.SetModificationDate(at)

	var figures, events bytes.Buffer
	if err := writeFigures(&figures, f); err != nil {
		return err
	}
	if err := writeEvents(&events, f); err != nil {
		return err
	}
	s.SetAttachments([]fpdf.Attachment{
		{Content: figures.Bytes(), Filename: f.RunID + ".figures.csv", Description: "The figures of every socket, one row each 10 s"},
		{Content: events.Bytes(), Filename: f.RunID + ".events.json", Description: "What happened, in order"},
	})

	s.ownerPage(f, v)
	s.benchPages(f, v)
	s.foot(title+" · "+given(f.Job.Amplifier), fmt.Sprintf("nightsoak %s · core %s · bench %s · run %s", v.SoftwareVersion, v.CoreVersion, v.Bench, v.RunID),
		func(n, of int) string { return fmt.Sprintf("page %d of %d", n, of) })
	if err := s.Output(w); err != nil {
		return fmt.Errorf("report: PDF: %w", err)
	}
	return nil
}

// caution is what must stand before anyone opens the amplifier.
const (
	cautionHead = "Before anyone opens it."
	caution     = "This amplifier works at hundreds of volts, and its capacitors keep a charge that can kill long after the plug is out."
	noGuarantee = "A soak says how the amplifier behaved on this bench, on these meters, in these hours. It is no guarantee of what comes after. The software that wrote this is not a safety device, and nothing here stands in for a fuse, for a person who watches, or for licensed practice and the rules of the place: where those say otherwise, they are right."
)

// Heights of drawings on the owner's page, in points.
const (
	leastTrace = 170.0
	mostTrace  = 400.0
	warmUp     = 118.0
)

// ownerPage is the first page, in plain words. The picture takes the room that the
// words leave; what does not fit in words stands on the next page.
func (s *sheet) ownerPage(f *facts, v *view) {
	s.page()
	s.y = 40
	s.Bookmark("For the owner", 0, 0)
	x1 := s.width - side
	s.words(side, s.y+13, 15, true, plainTone, cut("Soak report "+v.Ticket, 16.5, s.inner()*.6))
	y := s.y + 4.5
	for i, l := range append([]string{v.Workshop}, v.Address...) {
		if l == "" {
			continue
		}
		l = cut(l, smallSize+.5, s.inner()*.38)
		t := quietTone
		if i == 0 {
			t = plainTone
		}
		s.words(x1-chart.TextWidth(l, smallSize, i == 0), y, smallSize, i == 0, t, l)
		y += smallSize * 1.3
	}
	s.words(side, s.y+27, smallSize, false, quietTone, v.Started)
	s.y = max(s.y+34, y-2)
	s.rule(side, x1, s.y, 1.4, 0x11)
	s.y += 9

	headTone := plainTone
	if v.Verdict.Alarm {
		headTone = graveTone
	}
	head := block{lines: wrapped(v.Verdict.Headline, 17, true, s.inner()), size: 17, bold: true, tone: headTone, lead: 1.2}
	s.set(side, &head)
	s.y += head.height() + 5
	for i, b := range v.Verdict.Beside {
		if i == 5 && len(v.Verdict.Beside) > 6 {
			b = fmt.Sprintf("and %d more like these, told on the bench’s pages.", len(v.Verdict.Beside)-5)
		} else if i > 5 {
			break
		}
		text := block{lines: wrapped(b, bodySize, false, s.inner()-12), size: bodySize}
		s.words(side+1, s.y+bodySize*1.02, bodySize, false, quietTone, "–")
		s.set(side+12, &text)
		s.y += text.height() + 1.5
	}
	s.y += 6

	// What was done, and what was found.
	half := (s.inner() - 22) / 2
	top := s.y
	s.pairs(side, half, 78, bodySize-.4, clip(v.Title, half-78), false)
	low := s.y
	s.y = top
	s.pairs(side+half+22, half, 78, bodySize-.4, clip(v.Facts, half-78), false)
	s.y = max(s.y, low) + 2

	// What must stand under the picture.
	var under []block
	text := func(t string, size float64, indent float64, tn tone) {
		under = append(under, block{lines: wrapped(t, size, false, s.inner()-indent), size: size, tone: tn})
	}
	const alarmIndent = 76.0
	var alarms []viewAlarm
	for _, a := range v.Alarms {
		if a.Front {
			alarms = append(alarms, a)
			text(strings.TrimSpace(a.Words+". "+a.Text)+" "+capital(a.Priority)+" priority, "+a.State+".", bodySize-.4, alarmIndent, plainTone)
		}
	}
	boxText := []block{
		{lines: wrapped(cautionHead+" "+caution+" "+v.HT, bodySize-.5, false, s.inner()-22), size: bodySize - .5},
		{lines: wrapped(noGuarantee, smallSize+.2, false, s.inner()-22), size: smallSize + .2, tone: quietTone},
	}
	boxHeight := boxText[0].height() + boxText[1].height() + 18
	more := v.AlarmsLeft
	below := func() float64 {
		h := boxHeight + 8
		for i := range alarms {
			h += under[i].height() + 3
		}
		if len(alarms) > 0 {
			h += 22
		}
		if more > 0 {
			h += 14
		}
		return h
	}
	for len(alarms) > 1 && s.left()-below()-8 < leastTrace {
		alarms = alarms[:len(alarms)-1]
		more++
	}

	px := s.pixels()
	scale := s.inner() / float64(px)
	room := s.left() - below() - 8
	front, _ := f.frontTrace(px, 0)
	warm := f.warmTrace(px, int(warmUp/scale))
	notes := block{lines: wrapped(strings.Join(v.Notes, "\n"), bodySize-.4, false, s.inner()-78), size: bodySize - .4}
	notesHere := len(v.Notes) > 0 && room-notes.height()-8 >= leastTrace
	if notesHere {
		room -= notes.height() + 8
	}
	warmHere := warm != nil && room-warmUp-6 >= leastTrace+20
	if warmHere {
		room -= warmUp + 6
	}
	if notesHere {
		s.words(side, s.y+bodySize*.98, bodySize-.4, false, quietTone, "Notes")
		s.set(side+78, &notes)
		s.y += notes.height() + 6
	}
	front.Height = int(max(leastTrace, min(room, mostTrace)) / scale)
	s.draw(front)
	if warmHere {
		s.y += 6
		s.draw(warm)
	}
	if len(alarms) > 0 {
		s.y += 6
		s.words(side, s.y+10, 10.4, true, plainTone, "Alarms")
		s.rule(side, x1, s.y+14, .5, 0xb4)
		s.y += 18
	}
	for i, a := range alarms {
		s.need(under[i].height() + 3)
		s.flag(side, s.y+1, fmt.Sprint(a.Number), a.Grave)
		s.words(side+28, s.y+(bodySize-.4)*1.02, bodySize-.4, false, quietTone, a.At)
		s.set(side+alarmIndent, &under[i])
		s.y += under[i].height() + 3
	}
	if more > 0 {
		s.words(side+alarmIndent, s.y+8, smallSize, false, quietTone, fmt.Sprintf("and %d more of no greater importance, told with the others on the bench’s pages.", more))
		s.y += 14
	}
	s.need(boxHeight)
	if s.y < s.height-footroom-boxHeight && s.PageNo() == 1 {
		s.y = s.height - footroom - boxHeight
	}
	s.SetDrawColor(0xb4, 0xb4, 0xb4)
	s.SetLineWidth(.6)
	s.Rect(side, s.y, s.inner(), boxHeight, "D")
	s.SetFillColor(0x11, 0x11, 0x11)
	s.Rect(side, s.y, 3.2, boxHeight, "F")
	s.y += 7
	s.set(side+13, &boxText[0])
	s.y += boxText[0].height() + 3
	s.set(side+13, &boxText[1])

	s.page()
	s.Bookmark("For the bench", 0, 0)
	if len(v.Notes) > 0 && !notesHere {
		s.heading("Notes", 30)
		s.para(strings.Join(v.Notes, "\n"), bodySize-.4, plainTone)
	}
	if warm != nil && !warmHere {
		s.heading("Warm-up", warmUp)
		s.draw(warm)
	}
}

// clip shortens what would push the picture off the owner's page: the parts and
// date codes of a long list stand in full on the bench's pages.
func clip(rows [][2]string, width float64) (out [][2]string) {
	const most = 3 // lines
	for _, r := range rows {
		if lines := wrapped(r[1], bodySize-.4, false, width); len(lines) > most {
			r[1] = cut(strings.Join(lines[:most], " "), bodySize-.4, width*(most-.6)) + " (in full below)"
		}
		out = append(out, r)
	}
	return out
}

// flag is an alarm's number as the picture shows it.
func (s *sheet) flag(x, y float64, number string, grave bool) {
	w := max(11, chart.TextWidth(number, 7.4, false)+5)
	style := "D"
	s.SetDrawColor(0x11, 0x11, 0x11)
	if grave {
		style = "FD"
		s.SetDrawColor(0xb3, 0x26, 0x1e)
		s.SetFillColor(0xb3, 0x26, 0x1e)
	}
	s.SetLineWidth(.7)
	s.RoundedRect(x, y, w, 10.4, 2, "1234", style)
	s.SetFont(chart.Family, "", 7.4)
	s.tone(plainTone)
	if grave {
		s.SetTextColor(255, 255, 255)
	}
	s.Text(x+(w-chart.TextWidth(number, 7.4, false))/2, y+7.8, number)
}

// benchPages are all that a bench wants to know, in tables.
func (s *sheet) benchPages(f *facts, v *view) {
	px := s.pixels()
	scale := s.inner() / float64(px)
	over := func(c cell, o string) cell {
		if o != "" {
			c.text, c.tone = c.text+"\n"+o, graveTone
		}
		return c
	}

	s.heading("Sockets", 60)
	var rows [][]cell
	for i, r := range v.Sockets {
		tube := r.Tube
		if r.Half != "" {
			tube += ", half " + r.Half
		}
		if c := f.Job.Sockets[i].DateCode; c != "" {
			tube += "\n" + c
		}
		rows = append(rows, []cell{{text: r.Name}, {text: tube}, {text: r.Limit}, {text: r.SettledAt}, {text: r.Current}, {text: r.Share},
			over(cell{text: strings.TrimSpace(r.Worst + "\n" + r.WorstAt)}, r.Over), {text: r.Last}})
	}
	s.table([]column{{head: "Socket"}, {head: "Tube"}, {head: "Limit", right: true}, {head: "Settled\nat", right: true}, {head: "Current\nthen", right: true},
		{head: "Share of\nlimit then", right: true}, {head: "Worst share\nand when", right: true}, {head: "Last\nshare", right: true}}, rows)
	s.para("Times are hours:minutes:seconds since the run began. ± is the expanded uncertainty, about 95 %, from the meters’ accuracy, the last digit and the resistors’ tolerance; where it is missing it is not known. Screen current counts as plate current unless it was measured or set in the job.", smallSize, quietTone)

	if p := v.First; p != nil {
		s.heading("First power-up", 90)
		s.para(p.Words, smallSize+.4, plainTone)
		s.y += 3
		rows = nil
		for _, k := range p.Sockets {
			rows = append(rows, cells(k[:]...))
		}
		s.table([]column{{head: "Socket"}, {head: "First\nconducted at", right: true}, {head: "HT\nthen", right: true}, {head: "Highest\ncurrent", right: true}, {head: "and\nwhen", right: true}}, rows)
		if len(p.Rise) > 0 {
			s.y += 4
			columns := []column{{head: "HT coming up", right: true}, {head: "Mains", right: true}, {head: "HT", right: true}}
			rows = nil
			for _, r := range p.Rise {
				if p.ByMains {
					rows = append(rows, cells(r[:]...))
				} else {
					rows = append(rows, cells(r[0], r[2]))
				}
			}
			if !p.ByMains {
				columns = append(columns[:1], columns[2])
			}
			s.table(columns, rows)
		}
		for _, r := range p.Raised {
			s.para(r, smallSize+.4, plainTone)
		}
		if len(p.Raised) == 0 {
			s.para("Nothing was raised in that time.", smallSize+.4, plainTone)
		}
	}

	if a := v.Against; a != nil {
		s.heading("Then and now", 90)
		s.para(a.Words, smallSize+.4, plainTone)
		s.y += 3
		rows = nil
		for _, r := range a.Sockets {
			tube := r.TubeNow
			if r.TubeThen != r.TubeNow {
				tube = "then " + r.TubeThen + "\nnow " + r.TubeNow
			}
			rows = append(rows, cells(r.Name, tube, r.CurrentThen+"\n"+r.CurrentNow, r.Change, r.ShareThen+"\n"+r.ShareNow, r.WorstThen+"\n"+r.WorstNow))
		}
		s.table([]column{{head: "Socket"}, {head: "Tube", loose: true}, {head: "Settled current\nthen, now", right: true}, {head: "Change", right: true},
			{head: "Share of limit\nthen, now", right: true}, {head: "Worst share\nthen, now", right: true}}, rows)
		s.y += 4
		s.draw(f.againstTrace(px, int(230/scale)))
	}

	if g := v.Figures; len(g.Sockets) > 0 {
		s.heading("Figures at idle", 70)
		s.para(g.When, smallSize+.4, plainTone)
		s.y += 2
		columns := []column{{head: "Socket"}, {head: "Cathode\nmA", right: true}, {head: "Plate\nmA", right: true}}
		if g.Screens {
			columns = append(columns, column{head: "Screen\nmA", right: true})
		}
		columns = append(columns, column{head: "Plate to\ncathode V", right: true}, column{head: "Plate\nW", right: true})
		if g.Screens {
			columns = append(columns, column{head: "Screen\nW", right: true})
		}
		columns = append(columns, column{head: "Off the others\nof its half", right: true})
		rows = nil
		for _, r := range g.Sockets {
			most := ""
			if r.AtMost {
				most = "at most "
			}
			row := cells(r.Name, r.Cathode, most+r.Plate)
			if g.Screens {
				row = append(row, cell{text: r.Screen})
			}
			row = append(row, cells(r.Volts, most+r.Watts)...)
			if g.Screens {
				row = append(row, cell{text: r.ScreenWatts})
			}
			rows = append(rows, append(row, cell{text: r.Neighbour}))
		}
		s.table(columns, rows)
		s.y += 4
		rows = nil
		for _, r := range g.Sockets {
			row := cells(r.Name)
			for _, h := range r.Shares {
				c := cell{text: h.Share}
				if h.Of != "" {
					c.text += " of " + h.Of
				}
				row = append(row, over(c, h.Over))
			}
			rows = append(rows, row)
		}
		s.table([]column{{head: "Share of the\nhandbook’s limit"}, {head: "Plate\ndissipation", right: true}, {head: "Screen\ndissipation", right: true},
			{head: "Plate\nvolts", right: true}, {head: "Cathode\ncurrent", right: true}}, rows)
		for _, n := range g.Notes {
			s.para(n, smallSize, quietTone)
		}
		for _, n := range v.Sources {
			s.para(n[0]+": "+n[1], smallSize, quietTone)
		}
		if len(g.Trimmed) > 0 {
			s.heading("Idle as found and as left", 50)
			rows = nil
			for _, r := range g.Trimmed {
				rows = append(rows, cells(r.Name, r.Found.At, r.Found.Current, r.Found.Volts, r.Found.Share, r.Left.At, r.Left.Current, r.Left.Volts, r.Left.Share))
			}
			s.table([]column{{head: "Socket"}, {head: "As found\nat", right: true}, {head: "Current", right: true}, {head: "Plate\nvolts", right: true}, {head: "Share of\nlimit", right: true},
				{head: "As left\nat", right: true}, {head: "Current", right: true}, {head: "Plate\nvolts", right: true}, {head: "Share of\nlimit", right: true}}, rows)
			s.para("As found is what the socket idled at when it was first said that its trimmer was turned; as left, where it settled after the last turn.", smallSize, quietTone)
		}
	}

	s.heading("Supply, balance and watches", 120)
	if _, second := f.frontTrace(px, 0); second {
		s.draw(f.currentTrace(px, int(130/scale)))
	}
	if _, ok := f.HT.Last(); ok {
		s.draw(f.supplyTrace(px, int(118/scale)))
	}
	s.y += 4
	s.pairs(side, s.inner(), 96, smallSize+.4, v.BenchFacts, true)

	if len(v.Alarms) > 0 {
		s.heading("Alarms, step by step", 40)
		rows = nil
		for _, a := range v.Alarms {
			rows = append(rows, cells(fmt.Sprint(a.Number), a.Words, strings.Join(a.Changes, "\n"), a.Advice))
		}
		s.table([]column{{head: ""}, {head: "Alarm"}, {head: "Course"}, {head: "Advice given", loose: true}}, rows)
	}

	s.heading("How well the alarms served", 60)
	rows = nil
	for _, l := range v.Quality {
		rows = append(rows, cells(l.Name, l.Figure, l.Target, l.Manageable, l.Mark))
	}
	s.table([]column{{head: "Figure"}, {head: "This run", loose: true}, {head: "Target"}, {head: "Manageable"}, {head: ""}}, rows)
	s.para(v.QualityWords, smallSize, quietTone)

	for _, c := range v.Checks {
		s.heading(c.Title, 60)
		s.para(c.Words, smallSize+.4, plainTone)
		rows = nil
		for _, l := range c.Lines {
			rows = append(rows, cells(l.Name, string(l.Is), c.What(l)))
		}
		s.table([]column{{head: "Line"}, {head: "Stands"}, {head: "What was found", loose: true}}, rows)
		s.para(c.Source, smallSize, quietTone)
	}

	s.heading("Meters", 40)
	rows = nil
	for _, m := range v.Meters {
		rows = append(rows, cells(m.Name, m.Format, m.Accuracy, m.Scale, m.Readings, m.Rejected, m.State))
	}
	s.table([]column{{head: "Meter"}, {head: "Format"}, {head: "Accuracy, of\nreading + counts", right: true}, {head: "Scale", right: true}, {head: "Readings", right: true},
		{head: "Rejected\nframes", right: true}, {head: "At the end"}}, rows)

	if b := v.Figures.Budgets; len(b) > 0 {
		s.heading("Uncertainty of each share of the limit", 50)
		rows = nil
		for _, l := range b {
			row := cells(l.Name, l.Input, l.Estimate, l.Uncertainty, l.Contribution, l.Share)
			if l.Sum {
				for i := range row {
					row[i].tone = quietTone
				}
			}
			rows = append(rows, row)
		}
		s.table([]column{{head: "Socket"}, {head: "Input", loose: true}, {head: "Estimate", right: true}, {head: "Standard\nuncertainty", right: true},
			{head: "Contribution\nto the share", right: true}, {head: "Part of\nthe variance", right: true}}, rows)
		s.para("Law of propagation of uncertainty (JCGM 100:2008, equations 10 and 13). The last line of each socket gives the share of the limit, its combined standard uncertainty and, as ±, the expanded one, 95 %. Everywhere else ± is twice the standard uncertainty, which is never less.", smallSize, quietTone)
	}

	s.heading("Limits used", 60)
	s.pairs(side, s.inner(), 96, smallSize+.4, v.Limits, true)

	s.heading("The work", 40)
	s.pairs(side, s.inner(), 96, smallSize+.4, append(v.Title, v.Facts...), true)

	s.heading("Course of the run, notes and acts", 40)
	rows = nil
	for _, l := range v.Log {
		rows = append(rows, cells(l.At, l.Clock, l.What, l.Words))
	}
	s.table([]column{{head: "Run time", right: true}, {head: "Clock", right: true}, {head: "What"}, {head: "Words", loose: true}}, rows)

	s.heading("How to verify", 50)
	s.pairs(side, s.inner(), 96, smallSize+.4, v.Verify, true)
	s.para("Attached to this file: the figures of every socket at one row each 10 s (CSV), and every event in order (JSON).", smallSize, quietTone)
}
