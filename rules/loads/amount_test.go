package loads

import (
	"math/big"
	"slices"
	"testing"

	"drawgear/rules"
	"drawgear/rules/quantity"
	"drawgear/rules/rig"
)

func kg(v int64, b Bound) amount {
	a := exact(frac(v, 1), kilogram)
	if b != Exact {
		a = a.assuming(b, "a guess", "/firm")
	}
	return a
}

// TestJudge: of a bound only what it proves is said.
func TestJudge(t *testing.T) {
	for _, tt := range []struct {
		rel         Relation
		load, limit amount
		want        rules.Status
	}{
		{AtMost, kg(99, Exact), kg(100, Exact), rules.Met},
		{AtMost, kg(100, Exact), kg(100, Exact), rules.Met},
		{AtMost, kg(101, Exact), kg(100, Exact), rules.NotMet},
		{AtMost, kg(99, NoLess), kg(100, Exact), rules.Unknown},
		{AtMost, kg(101, NoLess), kg(100, Exact), rules.NotMet},
		{AtMost, kg(99, NoMore), kg(100, Exact), rules.Met},
		{AtMost, kg(101, NoMore), kg(100, Exact), rules.Unknown},
		{AtMost, kg(99, Exact), kg(100, NoLess), rules.Met},
		{AtMost, kg(101, Exact), kg(100, NoLess), rules.Unknown},
		{AtMost, kg(99, Exact), kg(100, NoMore), rules.Unknown},
		{AtMost, kg(101, Exact), kg(100, NoMore), rules.NotMet},
		{AtMost, kg(99, NoMore), kg(100, NoLess), rules.Met},
		{AtMost, kg(99, NoLess), kg(100, NoLess), rules.Unknown},
		{AtMost, kg(1, Estimate), kg(100, Exact), rules.Unknown},
		{AtMost, kg(1000, Estimate), kg(100, Exact), rules.Unknown},
		{AtLeast, kg(100, Exact), kg(100, Exact), rules.Met},
		{AtLeast, kg(99, Exact), kg(100, Exact), rules.NotMet},
		{AtLeast, kg(101, NoLess), kg(100, Exact), rules.Met},
		{AtLeast, kg(101, NoMore), kg(100, Exact), rules.Unknown},
		{AtLeast, kg(99, NoMore), kg(100, Exact), rules.NotMet},
		{AtLeast, kg(101, Exact), kg(100, NoLess), rules.Unknown},
		{AtLeast, kg(99, Exact), kg(100, NoLess), rules.NotMet},
		{Below, kg(100, Exact), kg(100, Exact), rules.NotMet},
		{Below, kg(99, Exact), kg(100, Exact), rules.Met},
		{Equal, kg(100, Exact), kg(100, Exact), rules.Met},
		{Equal, kg(99, Exact), kg(100, Exact), rules.NotMet},
		{Equal, kg(100, NoLess), kg(100, Exact), rules.Unknown},
		{AtMost, unknown("", "/load"), kg(100, Exact), rules.Unknown},
		{AtMost, kg(100, Exact), unknown("", "/limit"), rules.Unknown},
	} {
		h := judge(tt.rel, tt.load, tt.limit)
		if h.Status != tt.want {
			t.Errorf("%v %v %s %v %v: %s, want %s", tt.load.v, tt.load.bound, tt.rel, tt.limit.v, tt.limit.bound, h.Status, tt.want)
		}
		if (h.Status == rules.Unknown) != (len(h.Missing) > 0) {
			t.Errorf("%s waits for %v", h.Status, h.Missing)
		}
	}
}

// TestBounds: what sums, products and quotients keep of a bound, tried against the
// true figure at both ends of it.
func TestBounds(t *testing.T) {
	for _, op := range []struct {
		name string
		of   func(a, b amount) amount
	}{{"plus", func(a, b amount) amount { return plus(a, b) }}, {"minus", minus}, {"times", times}, {"over", over}} {
		for _, x := range []int64{-3, 2, 5} {
			for _, y := range []int64{-2, 1, 4} {
				for _, bx := range []Bound{Exact, NoLess, NoMore} {
					for _, by := range []Bound{Exact, NoLess, NoMore} {
						got := op.of(kg(x, bx), kg(y, by))
						for _, dx := range reach(bx) {
							for _, dy := range reach(by) {
								if y+dy == 0 || (y+dy > 0) != (y > 0) {
									continue // a divisor that changes its sign is none that is asked about
								}
								truth := op.of(kg(x+dx, Exact), kg(y+dy, Exact)).v
								c := truth.cmp(got.v)
								if got.bound == Exact && c != 0 || got.bound == NoLess && c < 0 || got.bound == NoMore && c > 0 {
									t.Errorf("%s of %d (%s) and %d (%s) is %v %s, and can be %v", op.name, x, bx, y, by, got.v, got.bound, truth)
								}
							}
						}
					}
				}
			}
		}
	}
}

// reach is how far the true figure can lie from one of that bound.
func reach(b Bound) []int64 {
	switch b {
	case NoLess:
		return []int64{0, 1, 3}
	case NoMore:
		return []int64{0, -1}
	}
	return []int64{0}
}

func TestText(t *testing.T) {
	pounds := ofQuantity(quantity.MustParse(quantity.Mass, "3000 lb"))
	for _, tt := range []struct {
		a    amount
		want string
	}{
		{pounds, "3000 lb"},
		{plus(pounds, kg(1, Exact)), "about 3002.2 lb"},
		{kg(200, Exact), "200 kg"},
		{over(kg(1, Exact), whole(3)), "about 0.333333 kg"},
		{over(kg(1, Exact), whole(8)), "0.125 kg"},
		{negative(over(kg(20000000, Exact), whole(3))), "about -6666670 kg"},
		{exact(frac(9, 1), bare), "9"},
		{ofQuantity(quantity.MustParse(quantity.Force, "17.2 kN")), "17.2 kN"},
		{ofQuantity(quantity.MustParse(quantity.Length, "50 mm")), "50 mm"},
	} {
		if got := tt.a.text(); got != tt.want {
			t.Errorf("%q, want %q", got, tt.want)
		}
	}
	if f := pounds.figure(); *f.Number != 1360.77711 || f.Unit != "kg" {
		t.Errorf("%v %s", *f.Number, f.Unit)
	}
	for u, want := range map[string]string{"1": "100 %", "999/1000": "99.9 %", "99999/100000": "just under 100 %", "100001/100000": "just over 100 %", "3/2": "150 %"} {
		v, _ := new(big.Rat).SetString(u)
		if got := percentOf(fractionOf(v)); got != want {
			t.Errorf("%s: %s", u, got)
		}
	}
}

// TestHold: c.grade18 and c.grade16, worked from the formula: 2606.81 and 3099.77 N,
// shown to four digits.
func TestHold(t *testing.T) {
	for _, tt := range []struct {
		mass  int64
		grade string
		want  string
	}{{1500, "18 %", "about 2607 N"}, {2000, "16 %", "about 3100 N"}} {
		if f := hold(kg(tt.mass, Exact), tt.grade); f.Value != tt.want {
			t.Errorf("%d kg on %s: %s", tt.mass, tt.grade, f.Value)
		}
	}
	if f := hold(unknown("", "/trailer/laden/total"), "18 %"); f.Value != "" || len(f.Missing) != 1 {
		t.Errorf("%+v", f)
	}
	if f := hold(kg(1500, Exact), "unknown"); f.Value != "" || f.Reason == "" {
		t.Errorf("%+v", f)
	}
}

// TestAdvice: ranges of practice, at their ends (UK caravans 5 to 7 % of the laden
// mass, trade guide, second-hand; Australia 5 to 15, memory).
func TestAdvice(t *testing.T) {
	for _, tt := range []struct {
		place, ball string
		want        string
	}{
		{"GB", "50 kg", within},
		{"GB", "70 kg", within},
		{"GB", "49.999 kg", outside},
		{"GB", "70.001 kg", outside},
		{"AU-NSW", "150 kg", within},
		{"US-TX", "99 kg", outside},
		{"NZ", "100 kg", told},
		{"DE", "100 kg", told},
		{"GB", "", open},
		{"JP", "100 kg", ""},
	} {
		trailer := map[string]any{"laden": map[string]any{"total": "1000 kg"}}
		if tt.ball != "" {
			trailer["laden"].(map[string]any)["ball"] = tt.ball
		}
		r, err := rig.FromTree(map[string]any{"jurisdiction": tt.place, "trailer": trailer})
		if err != nil {
			t.Fatal(err)
		}
		l := Of(r, nil, nil)
		got := ""
		if i := slices.IndexFunc(l.Advice, func(a Advice) bool { return a.ID == "ball_share" }); i >= 0 {
			got = l.Advice[i].Stands
			if l.Advice[i].Label == "" || l.Advice[i].Source.Verification == "text" {
				t.Errorf("%s: %+v", tt.place, l.Advice[i].Source)
			}
		}
		if got != tt.want {
			t.Errorf("%s, %s of 1000 kg: %q, want %q", tt.place, tt.ball, got, tt.want)
		}
	}
}
