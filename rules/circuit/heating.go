package circuit

import (
	"cmp"
	"fmt"
	"slices"
)

// Rating is a published current of one size.
type Rating struct {
	Amps   float64 `json:"amps"`
	Size   string  `json:"size"`  // the row of the table that was read
	Basis  string  `json:"basis"` // what the table says of ambient and laying
	Source Source  `json:"source"`
}

// HeatLimit is the current that a conductor may carry for the sake of its
// insulation. Published ratings disagree, so the lowest counts and the span is
// shown. It says nothing of voltage drop, which on 12 V nearly always asks for
// the larger conductor.
type HeatLimit struct {
	Amps    float64  `json:"amps"` // the lowest, which counts
	Most    float64  `json:"most_a"`
	Ratings []Rating `json:"ratings"`
	Says    string   `json:"says"`
}

// listed is one published figure.
type listed struct {
	area float64 // mm2
	name string
	amps float64
}

// thinWallAmps is the UK trade table of thin-wall cable, mm2 and A; low
// confidence, second-hand.
var thinWallAmps = []listed{
	{0.5, "0.5 mm2", 11},
	{0.75, "0.75 mm2", 14},
	{1, "1 mm2", 16.5},
	{1.5, "1.5 mm2", 21},
	{2, "2 mm2", 25},
	{2.5, "2.5 mm2", 29},
	{3, "3 mm2", 33},
	{4, "4 mm2", 39},
	{4.5, "4.5 mm2", 42},
	{6, "6 mm2", 50},
	{10, "10 mm2", 70},
}

// ambients are the columns of gaugeAmps: 120, 125 and 150 degF in degC.
var ambients = [...]float64{(120.0 - 32) / 1.8, (125.0 - 32) / 1.8, (150.0 - 32) / 1.8}

// gaugeAmps is a lamp maker's sheet by gauge at those ambients; low confidence,
// second-hand. It does not say whether its gauges are AWG or SAE.
var gaugeAmps = []struct {
	gauge int
	amps  [len(ambients)]float64
}{
	{20, [...]float64{15, 13, 9}},
	{18, [...]float64{18, 15, 11}},
	{16, [...]float64{22, 19, 14}},
	{14, [...]float64{27, 23, 17}},
	{12, [...]float64{40, 32, 24}},
	{10, [...]float64{50, 42, 31}},
}

// autoAmps are the two published ratings of Australian auto cable by its
// nominal mm; medium confidence, second-hand.
var autoAmps = map[float64][2]float64{3: {10, 20}, 4: {15, 28}, 5: {25, 37}, 6: {48, 50}}

// slack is how much larger than the last row of a table a size may be and
// still be read there. Beyond it a row is only a floor under the true limit,
// and counts only if no table has the size.
const slack = 1.2

// HeatLimit gives the lowest published current of the conductor and the span.
// An ambient in degC leaves out figures for cooler places; without one the
// hottest column counts. Figures whose table states no ambient always count. A
// size beyond all tables has the limit of the largest size listed. False means
// that no table covers the size or the ambient. Conductors side by side have the
// limit of one: if one breaks, the next carries all.
func (c Conductor) HeatLimit(ambient *float64) (HeatLimit, bool) {
	column, ok := columnFor(ambient)
	if !ok {
		return HeatLimit{}, false // hotter than any figure is for
	}
	var in []Rating
	if own, ok := autoAmps[c.n]; ok && c.family == AutoCable {
		for _, a := range own {
			in = append(in, Rating{a, c.name, "basis not stated", autoTables})
		}
	}
	var beyond listed
	var largest Rating
	var above []Rating
	for _, t := range []table{
		{thinWallAmps, "single wire in free air; less in a bundle or a hot bay", thinWall},
		{c.gaugeColumn(column), fmt.Sprintf("PVC at up to %s degC ambient", figure(ambients[column], 3)), gaugeSheet},
	} {
		row, within := readDown(t.rows, c.area)
		r := Rating{row.amps, row.name, t.basis, t.source}
		switch {
		case len(t.rows) > 0 && row.area == 0:
			first := t.rows[0]
			above = append(above, Rating{first.amps, first.name + ", which is larger", t.basis, t.source})
		case within:
			in = append(in, r)
		case row.area > beyond.area:
			beyond, largest = row, r
		}
	}
	if len(in) == 0 && beyond.area > 0 {
		in = []Rating{largest}
	}
	if len(in) == 0 {
		return HeatLimit{}, false
	}
	// A conductor carries no more than a larger one, in whatever table that is.
	for _, r := range above {
		if r.Amps < slices.MinFunc(in, byAmps).Amps {
			in = append(in, r)
		}
	}
	slices.SortStableFunc(in, byAmps)
	l := HeatLimit{Amps: in[0].Amps, Most: in[len(in)-1].Amps, Ratings: in}
	l.Says = fmt.Sprintf("Published ratings put %s at %s A; they rest on trade tables of low confidence that do not agree on temperature and bundling.",
		c.name, span(l.Amps, l.Most))
	if l.Amps < l.Most {
		l.Says += " The lowest counts."
	}
	return l, true
}

func byAmps(a, b Rating) int { return cmp.Compare(a.Amps, b.Amps) }

func span(lo, hi float64) string {
	if lo == hi {
		return show(lo)
	}
	return show(lo) + " to " + show(hi)
}

// table is one published table.
type table struct {
	rows   []listed
	basis  string
	source Source
}

// readDown finds the largest row not above the area, which a larger conductor
// certainly carries too; within reports that the table reaches the size. The row
// is zero if the size is below the table.
func readDown(rows []listed, area float64) (row listed, within bool) {
	for i, r := range rows {
		if exceeds(r.area, area) {
			break
		}
		row, within = r, i+1 < len(rows) || area <= slack*r.area
	}
	return row, within
}

// columnFor is the column of the coolest ambient that is no cooler than asked,
// and the hottest if none is asked for; false beyond the hottest.
func columnFor(ambient *float64) (int, bool) {
	if ambient == nil {
		return len(ambients) - 1, true
	}
	for i, t := range ambients {
		if !exceeds(*ambient, t) {
			return i, true
		}
	}
	return 0, false
}

// gaugeColumn is one column of the gauge table. SAE sizes are read by their own
// number, since the sheet may mean either; all others by their copper.
func (c Conductor) gaugeColumn(column int) []listed {
	var rows []listed
	for _, g := range gaugeAmps {
		row := listed{AWGArea(g.gauge), fmt.Sprintf("gauge %d", g.gauge), g.amps[column]}
		if c.family == SAE {
			if float64(g.gauge) != c.n {
				continue
			}
			row.area = c.area
		}
		rows = append(rows, row)
	}
	return rows
}
