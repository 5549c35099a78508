package picture

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"

	"drawgear/api/figure"
	"drawgear/rules"
	"drawgear/rules/loads"
)

// Columns of the bars, in millimetres from the left.
const (
	nameAt    = 7.0
	nameWide  = 62.0
	barAt     = 71.0
	barWide   = 41.0
	barTop    = 1.5 // the part of the limit at which bars are broken off
	nowEnds   = 127.0
	fullEnds  = 142.0
	verdictAt = 143.5

	barHigh  = 2.4 // of the bar of now; that of full stands out by barFrame on both sides
	barFrame = 0.6
	onePitch = 4.6 // of a row whose name takes one line
)

// row is one judged limit.
type row struct {
	line *loads.Line
	name []string
	weak bool // the weakest link of either column
}

func (r row) height() float64 { return onePitch + float64(max(len(r.name), 1)-1)*pitch }

// rows are the judged limits, in the order of the load path.
func rows(l *loads.Loads) []row {
	weak := map[string]bool{}
	for _, c := range []loads.Column{l.Now, l.Full} {
		for _, w := range c.Weakest {
			weak[w.Line] = true
		}
	}
	var out []row
	for i := range l.Lines {
		if n := &l.Lines[i]; drawn(n) {
			out = append(out, row{n, atMost(2, name(n), nameWide, weak[n.ID]), weak[n.ID]})
		}
	}
	return out
}

// urgency orders rows by what must be seen first: what is beyond its limit, the
// weakest link, then whatever is nearest to its limit.
func urgency(a, b row) int {
	if x, y := a.rank(), b.rank(); x != y {
		return cmp.Compare(y, x)
	}
	return cmp.Compare(b.most(), a.most())
}

const (
	weakRank = 1 + iota
	beyondRank
)

func (r row) rank() int {
	switch {
	case r.line.Now.Status == rules.NotMet || r.line.Full.Status == rules.NotMet:
		return beyondRank
	case r.weak:
		return weakRank
	}
	return 0
}

// most is the larger utilisation of the two columns, below all others if there is none.
func (r row) most() float64 {
	most := -1e300
	for _, h := range []loads.Held{r.line.Now, r.line.Full} {
		if judged(h) && h.Utilisation != nil {
			most = max(most, *h.Utilisation)
		}
	}
	return most
}

// limits draws as many bars as have room, and what was not judged.
func (s *sheet) limits(l *loads.Loads) {
	s.y += 1.5
	open := notJudged(l)
	all := rows(l)
	s.chain(l)
	// Room for what is not judged, and for saying that not all has room.
	room := maxHeight - margin - s.y - legendHigh - pitch
	gaps := atMost(2, unlisted(l), inner, false)
	room -= pitch * float64(len(gaps))
	if len(open) > 0 {
		room -= pitch * float64(len(openLines(open, openMost)))
	}
	chosen, left := choose(all, max(room, leastBars))
	if len(chosen) > 0 {
		s.bars(chosen)
	}
	if len(left) > 0 {
		s.para(margin, true, leftOut(left))
	}
	if len(open) > 0 {
		s.para(margin, false, openLines(open, openMost)...)
	}
	s.para(margin, false, gaps...)
}

// leftOut says how many judged limits have no room, and how they stand.
func leftOut(left []row) string {
	bad := 0
	for _, r := range left {
		if r.rank() == beyondRank {
			bad++
		}
	}
	text := fmt.Sprintf("Judged, without room here: %d, none nearer to its limit", len(left))
	if bad > 0 {
		text = fmt.Sprintf("Judged, without room here: %d, of which BEYOND THE LIMIT: %d", len(left), bad)
	}
	return text + "; see the description."
}

// leastBars is the height that bars get even if the picture grows beyond a page.
const leastBars = 8 * onePitch

// openMost is on how many lines what is not judged is named in the picture of the whole.
const openMost = 3

// openLines name what is not judged: as many as go onto so many lines.
func openLines(open []*loads.Line, most int) []string {
	names := distinct(open)
	head := fmt.Sprintf("Not judged, %d, any of which may be weaker: ", len(open))
	for n := len(names); ; n-- {
		text := head + strings.Join(names[:n], "; ")
		if n < len(names) {
			if n > 0 {
				text += "; "
			}
			text += fmt.Sprintf("%d more, told in the description", len(names)-n)
		}
		if lines := wrap(text+".", inner, false); len(lines) <= most || n == 0 {
			return lines
		}
	}
}

// distinct are the names of lines, each once with how many bear it.
func distinct(lines []*loads.Line) []string {
	var names []string
	count := map[string]int{}
	for _, n := range lines {
		if count[name(n)]++; count[name(n)] == 1 {
			names = append(names, name(n))
		}
	}
	for i, n := range names {
		if count[n] > 1 {
			names[i] = fmt.Sprintf("%s (%d)", n, count[n])
		}
	}
	return names
}

// chain says how the columns stand and which links are weakest.
func (s *sheet) chain(l *loads.Loads) {
	for _, text := range []string{weakest(now, l.Now, l), weakest(full, l.Full, l)} {
		s.para(margin, true, atMost(2, text, inner, true)...)
	}
}

// choose takes the most urgent rows that have room, in the order of the path.
func choose(all []row, room float64) (chosen, left []row) {
	order := slices.Clone(all)
	slices.SortStableFunc(order, urgency)
	in := map[*loads.Line]bool{}
	for _, r := range order {
		if room -= r.height(); room < 0 {
			break
		}
		in[r.line] = true
	}
	for _, r := range all {
		if in[r.line] {
			chosen = append(chosen, r)
		} else {
			left = append(left, r)
		}
	}
	return chosen, left
}

// limitSheets draws every judged limit, and names every one that is not judged.
func limitSheets(l *loads.Loads) []sheet {
	s := sheet{y: margin}
	s.chain(l)
	s.said = weakest(now, l.Now, l) + " " + weakest(full, l.Full, l)
	var out []sheet
	next := func() {
		out = append(out, s)
		s = sheet{y: margin}
	}
	for all := rows(l); len(all) > 0; {
		n, high := 0, sheetHeight-margin-s.y-legendHigh
		for n < len(all) && high >= all[n].height() {
			high -= all[n].height()
			n++
		}
		s.bars(all[:n])
		for _, r := range all[:n] {
			s.said += " " + told(r.line)
		}
		if all = all[n:]; len(all) > 0 {
			next()
		}
	}
	s.y++
	words := []string{}
	if open := notJudged(l); len(open) > 0 {
		words = openLines(open, math.MaxInt)
		for _, n := range open {
			s.said += " " + told(n)
		}
	}
	if text := unlisted(l); text != "" {
		words = append(words, wrap(text, inner, false)...)
		s.said += " " + text
	}
	for _, line := range words {
		if s.y+pitch > sheetHeight-margin {
			next()
			s.said = "What was not judged, continued: see the sheets before."
		}
		s.para(margin, false, line)
	}
	return append(out, s)
}

// legendHigh is the height of what stands above and below bars.
const legendHigh = 2*pitch + 2.5

// bars draws rows under a legend and a scale.
func (s *sheet) bars(all []row) {
	s.y++
	y := s.y + 0.5
	base := s.y + pitch - 1
	s.add(figure.Rect{At: pt(nameAt, y), W: 8, H: barHigh, Fill: figure.Rising, Stroke: medium})
	s.text(nameAt+9.5, base, figure.Start, false, now)
	s.add(figure.Rect{At: pt(nameAt+20, y), W: 8, H: barHigh, Stroke: medium})
	s.text(nameAt+29.5, base, figure.Start, false, "full: trailer at its plate")
	s.add(figure.Polygon{Points: weakSign(nameAt+75, y+1.2), Fill: figure.Black})
	s.text(nameAt+79, base, figure.Start, true, "weakest link")
	s.add(triangle(nameAt+109, y-0.3, 2.6))
	s.text(nameAt+111.5, base, figure.Start, false, "beyond limit")
	s.text(Width-margin, base, figure.End, false, "? not judged")
	s.y += pitch

	s.text(nameAt, s.y+pitch-1, figure.Start, true, "Part of the limit used")
	for _, mark := range []struct {
		at    float64
		words string
	}{{0, "0"}, {1, "100 %"}} {
		s.text(barX(mark.at), s.y+pitch-1, figure.Middle, false, mark.words)
	}
	s.text(nowEnds, s.y+pitch-1, figure.End, true, "now")
	s.text(fullEnds, s.y+pitch-1, figure.End, true, "full")
	s.y += pitch
	top := s.y
	for _, r := range all {
		s.row(r)
	}
	s.line(medium, pt(barAt, top), pt(barAt, s.y))
	s.line(thick, pt(barX(1), top), pt(barX(1), s.y))
	s.y += 1.5
}

// barX is where a part of the limit lies.
func barX(part float64) float64 { return barAt + barWide*part/barTop }

// weakSign points at the weakest link.
func weakSign(x, y float64) []figure.Point {
	return []figure.Point{pt(x, y-1.5), pt(x+2.8, y), pt(x, y+1.5)}
}

func (s *sheet) row(r row) {
	middle := s.y + r.height()/2
	base := middle + 1.1 // of a line of text
	for i, words := range r.name {
		s.text(nameAt, base+(float64(i)-float64(len(r.name)-1)/2)*pitch, figure.Start, r.weak, words)
	}
	if r.weak {
		s.add(figure.Polygon{Points: weakSign(margin+0.5, middle), Fill: figure.Black})
	}
	s.bar(r.line.Full, middle, barHigh+2*barFrame, figure.White)
	s.bar(r.line.Now, middle, barHigh, figure.Rising)
	s.text(nowEnds, base, figure.End, false, percent(r.line.Now, r.line.Relation))
	s.text(fullEnds, base, figure.End, false, percent(r.line.Full, r.line.Relation))
	words, bad := verdict(r.line)
	if bad {
		s.add(triangle(verdictAt+1.6, middle-1.3, 2.6))
	}
	s.text(verdictAt+3.8, base, figure.Start, bad, words)
	s.y += r.height()
}

// bar draws how much of a limit is used: nothing where that is not known, and
// broken off where it is more than has room.
func (s *sheet) bar(h loads.Held, middle, high float64, fill figure.Fill) {
	if !judged(h) || h.Utilisation == nil || !(*h.Utilisation > 0) {
		return
	}
	part := min(*h.Utilisation, barTop)
	s.add(figure.Rect{At: pt(barAt, middle-high/2), W: barX(part) - barAt, H: high, Fill: fill, Stroke: medium})
	if *h.Utilisation <= barTop {
		return
	}
	// Two strokes across it, with paper between.
	x, lean := barX(barTop)-5, 0.8
	a, b := middle-high/2-0.4, middle+high/2+0.4
	s.add(figure.Polygon{Points: []figure.Point{pt(x+lean, a), pt(x+lean+1.4, a), pt(x-lean+1.4, b), pt(x-lean, b)}, Fill: figure.White})
	s.line(medium, pt(x+lean, a), pt(x-lean, b))
	s.line(medium, pt(x+lean+1.4, a), pt(x-lean+1.4, b))
}
