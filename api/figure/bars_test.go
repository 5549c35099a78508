package figure_test

import (
	"math"
	"strconv"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"drawgear/api/figure"
)

// drawnBar is a bar as it is found in the SVG.
type drawnBar struct{ left, long, middle float64 }

// drawnBars are the outlines of rectangles.
func drawnBars(t interface{ Fatalf(string, ...any) }, f figure.Figure) (out []drawnBar) {
	svg, err := f.SVG()
	if err != nil {
		t.Fatalf("%v", err)
	}
	for _, e := range parse(t, svg).Elements {
		if e.XMLName.Local != "polygon" || e.attr("stroke") == "" {
			continue
		}
		var xs, ys []float64
		for _, p := range strings.Fields(e.attr("points")) {
			x, y, _ := strings.Cut(p, ",")
			xs, ys = append(xs, parseNumber(t, x)), append(ys, parseNumber(t, y))
		}
		if len(xs) != 4 {
			t.Fatalf("an outline has %d corners", len(xs))
		}
		out = append(out, drawnBar{min(xs[0], xs[1]), math.Abs(xs[1] - xs[0]), (ys[0] + ys[2]) / 2})
	}
	return out
}

func parseNumber(t interface{ Fatalf(string, ...any) }, text string) float64 {
	v, err := strconv.ParseFloat(text, 64)
	if err != nil {
		t.Fatalf("%v", err)
	}
	return v
}

// TestBars reads bars back from the SVG: from one line, in their order, and each
// as long beside the others as its count.
func TestBars(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		counts := rapid.SliceOfN(rapid.OneOf(rapid.Int64Range(0, 5), rapid.Int64Range(0, 1_000_000)), 1, 12).Draw(t, "counts")
		var bars []figure.Bar
		var seen []int64 // the counts that are drawn
		for i, n := range counts {
			bars = append(bars, figure.Bar{Name: "<bar> " + strconv.Itoa(i), Count: n, Says: strconv.FormatInt(n, 10) + " & so", Fill: figure.Fill(1 + i%8), Dash: figure.Dash(i % 4)})
			if n > 0 {
				seen = append(seen, n)
			}
		}
		f := figure.Bars("Counts", "All of them", bars...)
		drawn := drawnBars(t, f)
		if len(drawn) != len(seen) {
			t.Fatalf("%d bars for %d counts above 0", len(drawn), len(seen))
		}
		const rounded = 0.0011 // SVG has thousandths of a millimetre
		for i, b := range drawn {
			if b.left != drawn[0].left || i > 0 && b.middle <= drawn[i-1].middle {
				t.Fatalf("bar %d begins at %g, and lies at %g", i, b.left, b.middle)
			}
			for k, other := range drawn {
				if got, want := b.long*float64(seen[k]), other.long*float64(seen[i]); math.Abs(got-want) > rounded*float64(seen[i]+seen[k]) {
					t.Fatalf("bars of %d and %d are %g and %g mm long", seen[i], seen[k], b.long, other.long)
				}
			}
		}
		svg, err := f.SVG()
		if err != nil {
			t.Fatalf("%v", err)
		}
		said := map[string]bool{}
		for _, e := range parse(t, svg).Elements {
			said[e.Text] = true
		}
		for _, b := range bars {
			if !said[b.Name] || !said[b.Says] {
				t.Fatalf("%q and %q are not said", b.Name, b.Says)
			}
		}
	})
}

// TestBarsWithin: the greatest bar takes the same width whatever it counts, and
// leaves room for words of 28 characters on both sides, each half of their size wide.
func TestBarsWithin(t *testing.T) {
	for _, n := range []int64{1, 7, math.MaxInt64} {
		f := figure.Bars("Counts", "One", figure.Bar{Name: "one", Count: n, Says: "it"})
		drawn := drawnBars(t, f)
		if len(drawn) != 1 {
			t.Fatalf("%d bars", len(drawn))
		}
		room := min(drawn[0].left, f.Width-drawn[0].left-drawn[0].long)
		for _, s := range f.Shapes {
			if text, ok := s.(figure.Text); ok && room < 28*0.5*text.Size {
				t.Errorf("%d: %g mm of room for text of %g mm", n, room, text.Size)
			}
		}
	}
	if got := drawnBars(t, figure.Bars("Counts", "None", figure.Bar{Name: "none"})); len(got) != 0 {
		t.Errorf("a count of nothing is drawn: %v", got)
	}
}
