package picture

import (
	"bytes"
	"encoding/xml"
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"strings"
	"testing"

	"drawgear/api/figure"
	"drawgear/rules"
	"drawgear/rules/library"
	"drawgear/rules/loads"
	"drawgear/rules/rig"
)

// pictures are every picture of a rig.
func pictures(r *rig.Rig, l *loads.Loads) []figure.Figure {
	return append([]figure.Figure{Rig(r, l)}, Sheets(r, l)...)
}

func TestPictures(t *testing.T) {
	for _, s := range samples(t) {
		t.Run(s.name, func(t *testing.T) {
			r, l := of(t, s)
			again, l2 := of(t, s)
			second := pictures(again, l2)
			for i, f := range pictures(r, l) {
				for _, fault := range faults(f) {
					t.Errorf("picture %d: %s", i, fault)
				}
				if most := map[bool]float64{true: 257, false: 175}[i == 0]; f.Height > most || f.Width != 170 {
					t.Errorf("picture %d is of %g mm by %g mm; at most 170 by %g have room on the page", i, f.Width, f.Height, most)
				}
				drawing, err := f.SVG()
				if err != nil {
					t.Fatal(err)
				}
				if twice, err := second[i].SVG(); err != nil || !bytes.Equal(drawing, twice) {
					t.Errorf("picture %d: the same rig gives other bytes (%v)", i, err)
				}
				for d := xml.NewDecoder(bytes.NewReader(drawing)); ; {
					if _, err := d.Token(); errors.Is(err, io.EOF) {
						break
					} else if err != nil {
						t.Fatalf("picture %d is no XML: %v", i, err)
					}
				}
			}
		})
	}
}

// TestFigures holds what is printed against the answer that was drawn.
func TestFigures(t *testing.T) {
	for _, s := range samples(t) {
		t.Run(s.name, func(t *testing.T) {
			r, l := of(t, s)
			f := Rig(r, l)
			// Figures may be broken over lines, never cut.
			joined := strings.ReplaceAll(words(f), "\n", " ")
			n, u := l.Static.Now, l.Static.Full
			figures := []loads.Figure{n.FrontUncoupled, n.RearUncoupled, n.BallLoad, u.BallLoad}
			if n.Levelled == nil {
				figures = append(figures, n.FrontCoupled, n.RearCoupled, n.TrailerAxles, u.FrontCoupled, u.RearCoupled, u.TrailerAxles)
			} else {
				figures = append(figures, n.Levelled.Front, n.Levelled.Rear, n.Levelled.TrailerAxles, u.Levelled.Front, u.Levelled.Rear, u.Levelled.TrailerAxles)
			}
			for _, x := range figures {
				if !strings.Contains(joined, x.Value) || !strings.Contains(f.Desc, x.Value) {
					t.Errorf("%q is not told", x.Value)
				}
				if x.Value == "" && !strings.Contains(joined, "not known") {
					t.Error("a figure that is not known is not said to be so")
				}
				bound := map[loads.Bound]string{loads.NoLess: "at least ", loads.NoMore: "at most ", loads.Estimate: "estimated "}[x.Bound]
				if !strings.Contains(joined, bound+x.Value) || !strings.Contains(f.Desc, bound+x.Value) {
					t.Errorf("%q is told as if it were exact; it is %s", x.Value, x.Bound)
				}
			}
			if n.CentreOfMass.Value != "" && !strings.Contains(joined, n.CentreOfMass.Value) {
				t.Error("it is not told where the centre of mass lies")
			}
			for _, fault := range l.Faults {
				if got := strings.Contains(joined, "UNSAFE: "+fault.Text) && strings.Contains(f.Desc, "Unsafe: "+fault.Text); got != fault.Unsafe {
					t.Errorf("%q: told %v, unsafe %v", fault.Text, got, fault.Unsafe)
				}
			}
		})
	}
}

// TestDescription: whoever cannot see the picture is told all of it.
func TestDescription(t *testing.T) {
	for _, s := range samples(t) {
		t.Run(s.name, func(t *testing.T) {
			r, l := of(t, s)
			desc := Rig(r, l).Desc
			for _, c := range []loads.Column{l.Now, l.Full} {
				if !strings.Contains(desc, c.Summary) {
					t.Errorf("lacks %q", c.Summary)
				}
				for _, w := range c.Weakest {
					if !strings.Contains(desc, "Weakest link now: ") || !strings.Contains(desc, strings.TrimPrefix(w.Name, "the ")) {
						t.Errorf("does not name the weakest link %s", w.Name)
					}
				}
			}
			for _, n := range l.Lines {
				if n.Now.Status == rules.NotApplicable && n.Full.Status == rules.NotApplicable {
					continue
				}
				for _, want := range []string{strings.TrimPrefix(n.Name, "the ")[1:], n.Rating.Value, n.Now.Load.Value, n.Full.Load.Value} {
					if !strings.Contains(desc, want) {
						t.Errorf("%s: lacks %q", n.ID, want)
					}
				}
				for _, p := range slices.Concat(n.Now.Missing, n.Full.Missing) {
					if !strings.Contains(desc, p) {
						t.Errorf("%s: does not say that %s is missing", n.ID, p)
					}
				}
			}
			for _, it := range slices.Concat(r.VehicleItems, r.TrailerItems) {
				if !strings.Contains(desc, it.Name) {
					t.Errorf("lacks %s", it.Name)
				}
			}
			for _, role := range l.Unlisted {
				if !strings.Contains(desc, strings.ReplaceAll(role, "_", " ")) {
					t.Errorf("does not say that no %s is listed", role)
				}
			}
			// Over the sheets nothing gets lost.
			sheets := ""
			for _, f := range Sheets(r, l) {
				sheets += f.Desc
			}
			for i := range l.Lines {
				if n := &l.Lines[i]; drawn(n) && !strings.Contains(sheets, told(n)) {
					t.Errorf("no sheet tells %s", n.ID)
				}
			}
		})
	}
}

// contacts are where the supports touch the ground, from left to right.
func contacts(f figure.Figure) []float64 {
	var xs []float64
	for _, s := range f.Shapes {
		if p, ok := s.(figure.Polygon); ok && len(p.Points) == 3 && p.Fill == figure.White {
			xs = append(xs, p.Points[0].X)
		}
	}
	slices.Sort(xs)
	return xs
}

// TestScale reads the drawing back: what is given in metres stands so far apart.
func TestScale(t *testing.T) {
	lengths := map[string][]float64{ // of each support behind the front axle, from the documents
		"float":    {0, 3.2, 3.2 + 1.2 + 3.3 - 0.4, 3.2 + 1.2 + 3.3 + 0.4},
		"flush":    {0, 3.2, 3.2 + 3.3 - 0.4, 3.2 + 3.3 + 0.4},
		"fifth":    {0, 3.2, 3.2 + 6.2 - 0.4, 3.2 + 6.2 + 0.4},
		"upward":   {0, 3.2, 7.3, 8.1},
		"levelled": {0, 3.2, 7.3, 8.1},
		"under":    {0, 6.4 - 5.5, 6, 6.4, 6.4 + 5.5},
	}
	axles := []float64{0, 3.2}
	for i := range 12 {
		axles = append(axles, 3.2+1.2+12+13*(float64(i)/11-0.5))
	}
	lengths["axles"] = axles
	for _, s := range samples(t) {
		want, ok := lengths[s.name]
		if !ok {
			continue
		}
		r, l := of(t, s)
		xs := contacts(Rig(r, l))
		if len(xs) != len(want) {
			t.Errorf("%s: %d supports, want %d", s.name, len(xs), len(want))
			continue
		}
		scale := (xs[len(xs)-1] - xs[0]) / want[len(want)-1]
		if scale < 3 {
			t.Errorf("%s: %g mm for a metre is too small to see", s.name, scale)
		}
		for i := range xs {
			if got := (xs[i] - xs[0]) / scale; math.Abs(got-want[i]) > 1e-6 {
				t.Errorf("%s: support %d stands %g m behind the first, want %g", s.name, i, got, want[i])
			}
		}
	}
}

// TestShapesToScale reads the body, the things carried and the centre of mass back.
func TestShapesToScale(t *testing.T) {
	r, l := of(t, samples(t)[0])
	f := Rig(r, l)
	xs := contacts(f)
	front, scale := xs[0], (xs[3]-xs[0])/8.1
	behind := func(x float64) float64 { return (x - front) / scale }
	near := func(what string, got, want float64) {
		t.Helper()
		if math.Abs(got-want) > 1e-5 {
			t.Errorf("%s at %g m, want %g", what, got, want)
		}
	}
	var bodies []figure.Rect
	marks := map[string]float64{}
	for i, s := range f.Shapes {
		switch x := s.(type) {
		case figure.Rect:
			if math.Abs(x.W/scale-3.6) < 1e-6 {
				bodies = append(bodies, x)
			}
			if t, ok := f.Shapes[min(i+1, len(f.Shapes)-1)].(figure.Text); ok && x.H == boxHeight {
				marks[t.Words] = behind(x.At.X + x.W/2)
			}
		case figure.Circle:
			if x.Radius == 2 {
				near("the centre of mass", behind(x.Centre.X), 4.4+*l.Static.Now.CentreOfMass.Number)
			}
		}
	}
	if len(bodies) != 2 {
		t.Fatalf("%d bodies of 3.6 m are drawn, want one in each view", len(bodies))
	}
	for _, b := range bodies {
		near("the front of the body", behind(b.At.X), 3.2+1.2+1.5)
	}
	near("the width", bodies[1].H/scale, 2.2)
	for n, want := range map[string]float64{"1": 3.9, "2": 4.4 + 3.2, "3": 4.4 + 3.3, "4": 4.4 + 1.8} {
		got, ok := marks[n]
		if !ok {
			t.Errorf("number %s is not drawn", n)
		}
		near("number "+n, got, want)
	}
}

// TestNotToScale: what is not given is never passed off as a length.
func TestNotToScale(t *testing.T) {
	for _, c := range []struct {
		name      string
		says, not []string
	}{
		{"float", []string{"To scale along the rig.", "1 m"}, []string{"Not given", "not given"}},
		{"bare", []string{"Not to scale.", "wheelbase not given", "overhang not given", "coupling to axle not given", "width of the trailer"}, []string{" m\n", "To scale"}},
		{"demo", []string{"Not to scale."}, []string{"To scale"}},
		{"little", []string{"To scale where a length is given.", "overhang not given", "wheelbase 2.7 m"}, []string{"along the rig."}},
		{"fifthbehind", []string{"To scale where a length is given.", "overhang 1 m, not drawn", "place of the coupling over the vehicle"}, []string{"along the rig."}},
		{"axles", []string{"evenly apart"}, nil},
	} {
		for _, s := range samples(t) {
			if s.name != c.name {
				continue
			}
			r, l := of(t, s)
			text := words(Rig(r, l))
			flat := strings.ReplaceAll(text, "\n", " ")
			for _, want := range c.says {
				if !strings.Contains(flat, want) {
					t.Errorf("%s: does not say %q", c.name, want)
				}
			}
			for _, not := range c.not {
				if strings.Contains(text, not) {
					t.Errorf("%s: says %q", c.name, not)
				}
			}
		}
	}
}

// TestForces: the load on the coupling presses down, or is drawn and said to pull up.
func TestForces(t *testing.T) {
	for name, down := range map[string]bool{"float": true, "upward": false} {
		i := slices.IndexFunc(samples(t), func(s sample) bool { return s.name == name })
		r, l := of(t, samples(t)[i])
		f := Rig(r, l)
		x := lay(r).x(lay(r).coupling)
		arrows := 0
		for _, s := range f.Shapes {
			if a, ok := s.(figure.Line); ok && a.Heads == figure.AtEnd && a.Points[0].X == x && a.Points[1].X == x {
				arrows++
				if got := a.Points[1].Y > a.Points[0].Y; got != down {
					t.Errorf("%s: the arrow points down: %v", name, got)
				}
			}
		}
		if arrows != 1 {
			t.Errorf("%s: %d arrows at the coupling", name, arrows)
		}
		if got := strings.Contains(words(f), "PULLED UPWARDS"); got == down {
			t.Errorf("%s: said to pull upwards: %v", name, got)
		}
	}
}

// TestBars reads the bars back: as long as the part of the limit that is used, and
// with a sign and a word where it is beyond.
func TestBars(t *testing.T) {
	for _, s := range samples(t) {
		r, l := of(t, s)
		if len(rows(l)) == 0 {
			continue
		}
		var lengths []float64
		limit, signs, outcomes := 0.0, 0, map[string]int{}
		for _, f := range Sheets(r, l)[1:] {
			for _, shape := range f.Shapes {
				switch x := shape.(type) {
				case figure.Rect:
					if x.Fill == figure.Rising && x.At.X == barAt {
						lengths = append(lengths, x.W)
					}
				case figure.Line:
					if x.Stroke == thick {
						limit = x.Points[0].X - barAt
					}
				case figure.Polygon:
					if x.Fill == figure.Black && x.Points[0].X > verdictAt {
						signs++
					}
				case figure.Text:
					if x.At.X > verdictAt {
						outcomes[x.Words]++
					}
				}
			}
		}
		var want []float64
		bad := 0
		for _, n := range l.Lines {
			if (n.Now.Status == rules.Met || n.Now.Status == rules.NotMet) && n.Now.Utilisation != nil && *n.Now.Utilisation > 0 {
				want = append(want, min(*n.Now.Utilisation, 1.5))
			}
			if n.Now.Status == rules.NotMet || n.Full.Status == rules.NotMet {
				bad++
			}
		}
		if len(lengths) != len(want) {
			t.Errorf("%s: %d bars for %d utilisations", s.name, len(lengths), len(want))
			continue
		}
		for i := range want {
			if math.Abs(lengths[i]/limit-want[i]) > 1e-9 {
				t.Errorf("%s: bar %d shows %g, want %g", s.name, i, lengths[i]/limit, want[i])
			}
		}
		told := 0
		for w, n := range outcomes {
			if strings.HasPrefix(w, "OVER") || strings.HasPrefix(w, "LOW") || strings.HasPrefix(w, "DIFFERS") {
				told += n
			}
		}
		if signs != bad || told != bad {
			t.Errorf("%s: %d lines are not met; %d signs and %d words say so", s.name, bad, signs, told)
		}
	}
}

// TestUtilisation prints parts of a limit so that none reads as what it is not.
func TestUtilisation(t *testing.T) {
	u := func(v float64) *float64 { return &v }
	for _, c := range []struct {
		held loads.Held
		rel  loads.Relation
		want string
	}{
		{loads.Held{Status: rules.Met, Utilisation: u(1)}, loads.AtMost, "100 %"},
		{loads.Held{Status: rules.Met, Utilisation: u(0.99999)}, loads.AtMost, "<100 %"},
		{loads.Held{Status: rules.NotMet, Utilisation: u(1.00001)}, loads.AtMost, ">100 %"},
		{loads.Held{Status: rules.NotMet, Utilisation: u(1)}, loads.AtMost, ">100 %"}, // beyond by less than a float holds
		{loads.Held{Status: rules.NotMet, Utilisation: u(1)}, loads.Below, "100 %"},
		{loads.Held{Status: rules.Met, Utilisation: u(0.5)}, loads.AtMost, "50 %"},
		{loads.Held{Status: rules.Met, Utilisation: u(0.9166)}, loads.AtMost, "91.7 %"},
		{loads.Held{Status: rules.NotMet, Utilisation: u(3.0179)}, loads.AtMost, "301.8 %"},
		{loads.Held{Status: rules.NotMet, Utilisation: u(54.321)}, loads.AtMost, "5432 %"},
		{loads.Held{Status: rules.NotMet, Utilisation: u(math.Inf(1))}, loads.AtMost, ">9999 %"},
		{loads.Held{Status: rules.Met, Utilisation: u(-12345)}, loads.AtMost, "<-999 %"},
		{loads.Held{Status: rules.Met, Utilisation: u(-0.00001)}, loads.AtMost, "0 %"},
		{loads.Held{Status: rules.Unknown, Utilisation: u(0.5)}, loads.AtMost, "?"},
		{loads.Held{Status: rules.NotApplicable}, loads.AtMost, "n/a"},
		{loads.Held{Status: rules.NotMet}, loads.AtLeast, "beyond"},
		{loads.Held{Status: rules.NotMet}, loads.Equal, "beyond"},
		{loads.Held{Status: rules.Met}, loads.Equal, "same"},
		{loads.Held{Status: rules.Met}, loads.AtLeast, "met"},
	} {
		if got := percent(c.held, c.rel); got != c.want {
			t.Errorf("%v %s: %q, want %q", c.held, c.rel, got, c.want)
		}
	}
}

// TestOverflow: where not every limit has room, the gravest are drawn, and the
// picture tells how many are not and whether any of these is beyond its limit.
func TestOverflow(t *testing.T) {
	i := slices.IndexFunc(samples(t), func(s sample) bool { return s.name == "parts" })
	r, l := of(t, samples(t)[i])
	all := rows(l)
	chosen, left := choose(all, 60)
	if len(chosen) == 0 || len(left) == 0 || len(chosen)+len(left) != len(all) {
		t.Fatalf("of %d rows %d are drawn and %d left", len(all), len(chosen), len(left))
	}
	for _, a := range chosen {
		for _, b := range left {
			if a.rank() < b.rank() || a.rank() == b.rank() && a.most() < b.most() {
				t.Errorf("%s has room and %s has none", a.line.ID, b.line.ID)
			}
		}
	}
	bad := 0
	for _, n := range l.Lines {
		if n.Now.Status == rules.NotMet || n.Full.Status == rules.NotMet {
			bad++
		}
	}
	f := Rig(r, l)
	shown := 0
	for _, x := range texts(f) {
		if x.At.X > verdictAt && strings.HasPrefix(x.Words, "OVER") {
			shown++
		}
	}
	if want := fmt.Sprintf("BEYOND THE LIMIT: %d;", bad-shown); !strings.Contains(words(f), want) {
		t.Errorf("does not say %q", want)
	}
}

// TestLaw draws the demo rig as it is answered for its place.
func TestLaw(t *testing.T) {
	book, err := library.Book()
	if err != nil {
		t.Fatal(err)
	}
	r := decode(t, float(t))
	day, _ := r.AsOf()
	answer, err := book.Assess(r, day)
	if err != nil {
		t.Fatal(err)
	}
	l := loads.Of(r, answer, nil)
	for _, f := range pictures(r, l) {
		for _, fault := range faults(f) {
			t.Error(fault)
		}
	}
}
