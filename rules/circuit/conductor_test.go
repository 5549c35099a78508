package circuit_test

import (
	"encoding/json"
	"errors"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"drawgear/rules/circuit"
	"drawgear/rules/quantity"
)

func TestParseConductor(t *testing.T) {
	for _, c := range []struct {
		text string
		want string // as it prints
		fam  circuit.Family
		area float64 // mm2, to 2 decimals: by definition, or the tables of sizes
	}{
		{"6 mm2", "6 mm2", circuit.Metric, 6},
		{" 2.50  MM2 ", "2.5 mm2", circuit.Metric, 2.5},
		{"6mm²", "6 mm2", circuit.Metric, 6},
		{"10 mm2 class 5", "10 mm2", circuit.Metric, 10},
		{"10 mm2 class 2", "10 mm2 class 2", circuit.MetricRigid, 10},
		{"10 mm2 class 1", "10 mm2 class 2", circuit.MetricRigid, 10},
		{"3 mm2 ISO 6722", "3 mm2 ISO 6722", circuit.Automotive, 3},
		{"10 AWG", "10 AWG", circuit.AWG, 5.26},
		{"awg 10", "10 AWG", circuit.AWG, 5.26},
		{"11 AWG", "11 AWG", circuit.AWG, 4.17}, // NBS Handbook 100
		{"0 AWG", "1/0 AWG", circuit.AWG, 53.48},
		{"1/0 AWG", "1/0 AWG", circuit.AWG, 53.48},
		{"4/0 awg", "4/0 AWG", circuit.AWG, 107.22},
		{"SAE 10", "SAE 10", circuit.SAE, 4.73},
		{"10 sae", "SAE 10", circuit.SAE, 4.73},
		{"6 mm auto cable", "6 mm auto cable", circuit.AutoCable, 4.59},
		{"2.5 mm auto cable", "2.5 mm auto cable", circuit.AutoCable, 0.64},
		{"65/0.30", "65/0.3", circuit.Strands, 4.59},
		{"65/0.30 mm", "65/0.3", circuit.Strands, 4.59},
		{"2 x 6 mm2", "2 x 6 mm2", circuit.Metric, 12},
		{"1 x 6 mm2", "6 mm2", circuit.Metric, 6},
	} {
		got, err := circuit.ParseConductor(c.text)
		if err != nil {
			t.Errorf("%q: %v", c.text, err)
			continue
		}
		same(t, c.text, got.String(), c.want)
		same(t, c.text, got.Family(), c.fam)
		near(t, c.text, got.Area(), c.area, 2)
	}
}

// TestParseConductorRefuses: what could be meant in two ways is not guessed.
func TestParseConductorRefuses(t *testing.T) {
	for text, says := range map[string]string{
		"":                      "nothing is written",
		"6":                     "no unit",
		"6 mm":                  "auto cable",
		"6 mm cable":            "auto cable",
		"6,0 mm2":               "write it as",
		"10 gauge":              "SAE 10",
		"10 ga":                 "AWG",
		"7 mm2":                 "0.5, 0.75, 1, 1.5, 2.5, 4, 6, 10, 16, 25",
		"SAE 8":                 "18, 16, 14, 12, 10",
		"10.5 AWG":              "whole numbers",
		"-1 AWG":                "write it as",
		"5/0 AWG":               "1/0 to 4/0",
		"0/0 AWG":               "1/0 to 4/0",
		"30 AWG":                "24 to 0",
		"7 mm auto cable":       "2.5, 3, 4, 5, 6",
		"6 mm2 CCA":             "copper-clad",
		"10 AWG aluminium":      "copper-clad",
		"0 x 6 mm2":             "side by side",
		"9 x 6 mm2":             "side by side",
		"02 x 6 mm2":            "side by side",
		"2 x":                   "write it as",
		"65/0":                  "65/0.30",
		"0/0.3":                 "strands",
		"65/.3":                 "strands",
		"1e1 mm2":               "write it as",
		"NaN mm2":               "write it as",
		". mm2":                 "sizes known",
		strings.Repeat("6", 99): "too long",
		"\xff mm2":              "write it as",
	} {
		c, err := circuit.ParseConductor(text)
		var bad *circuit.Bad
		if !errors.As(err, &bad) || bad.Arg != "conductor" || !strings.Contains(bad.Why, says) || !c.IsZero() {
			t.Errorf("%q: %v, want %q", text, err, says)
		}
	}
}

func FuzzParseConductor(f *testing.F) {
	for _, s := range []string{
		"6 mm2", "6mm²", "10 mm2 class 2", "3 mm2 ISO 6722", "10 AWG", "2/0 AWG", "SAE 10", "6 mm auto cable", "65/0.30",
		"2 x 6 mm2", "6 mm", "10 ga", "6 mm2 CCA", "", "0 AWG", "99999999999999999999 AWG", "1/0", "0.0 mm2", "2 x 2 x 6 mm2",
	} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, text string) {
		c, err := circuit.ParseConductor(text)
		if err != nil {
			var bad *circuit.Bad
			if !errors.As(err, &bad) || bad.Why == "" || !c.IsZero() {
				t.Fatalf("%q: %v", text, err)
			}
			return
		}
		if !(c.Area() > 0 && c.Area() < 1e6) || !(c.OhmsPerMetre(20) > 0) {
			t.Fatalf("%q has %v mm2 and %v ohm/m", text, c.Area(), c.OhmsPerMetre(20))
		}
		again, err := circuit.ParseConductor(c.String())
		if err != nil || again != c {
			t.Fatalf("%q prints %q, which reads as %v, %v", text, c.String(), again, err)
		}
	})
}

func TestConductorJSON(t *testing.T) {
	var l circuit.Leg
	if err := json.Unmarshal([]byte(`{"conductor": "10 awg", "length_m": 4}`), &l); err != nil {
		t.Fatal(err)
	}
	same(t, "conductor", l.Conductor, cond("10 AWG"))
	b := must[[]byte](t)(json.Marshal(l))
	same(t, "back", string(b), `{"conductor":"10 AWG","length_m":4}`)
	b = must[[]byte](t)(json.Marshal(circuit.Leg{Length: 4}))
	same(t, "none", string(b), `{"length_m":4}`)
	if err := json.Unmarshal([]byte(`{"conductor": "6 mm"}`), &l); err == nil {
		t.Error("6 mm is read")
	}
}

// TestNamesTheTrap: an answer about auto cable says how much copper there is.
func TestNamesTheTrap(t *testing.T) {
	d := cond("6 mm auto cable").Describe()
	near(t, "area", d.Area, 4.59, 2)
	same(t, "source", d.Source.How, "second-hand")
	if !anySays(d.Notes, "not 6 mm2") {
		t.Errorf("notes: %q", d.Notes)
	}
	if d := cond("3 mm2 ISO 6722").Describe(); d.Source.How != "memory" || !anySays(d.Notes, "from memory") {
		t.Errorf("ISO 6722: %+v", d)
	}
	if !anySays(cond("SAE 10").Describe().Notes, "less copper than 10 AWG") {
		t.Error("SAE 10 is not set apart from 10 AWG")
	}
}

// TestHeatLimits: printed figures. Thin-wall cable in free air, gauge by ambient
// and two ratings of auto cable, all of low confidence but the last.
func TestHeatLimits(t *testing.T) {
	at := func(c float64) *float64 { return &c }
	for _, c := range []struct {
		conductor string
		ambient   *float64
		low, high float64
	}{
		{"12 AWG", nil, 24, 33},     // 150 degF column; 3 mm2 thin wall
		{"12 AWG", at(48), 33, 40},  // 120 degF column
		{"12 AWG", at(50), 32, 33},  // 125 degF column
		{"12 AWG", at(60), 24, 33},  // 150 degF column
		{"10 AWG", nil, 31, 42},     // 4.5 mm2 thin wall
		{"SAE 10", nil, 31, 42},     // by its own number
		{"SAE 12", nil, 24, 29},     // 2.5 mm2 thin wall
		{"8 AWG", nil, 50, 50},      // 6 mm2 thin wall only
		{"6 mm2", nil, 31, 50},      // read at 10 AWG, 5.26 mm2
		{"16 mm2", nil, 70, 70},     // the largest size listed
		{"2 x 10 mm2", nil, 70, 70}, // of one
		{"6 mm auto cable", at(40), 40, 50},
		{"5 mm auto cable", at(40), 25, 37},
		{"3 mm auto cable", nil, 10, 20},
		{"0.5 mm2", nil, 9, 11}, // no more than 20 gauge, 0.518 mm2
	} {
		h, ok := cond(c.conductor).HeatLimit(c.ambient)
		if !ok || h.Amps != c.low || h.Most != c.high {
			t.Errorf("%s: %v to %v A, %v, want %v to %v", c.conductor, h.Amps, h.Most, ok, c.low, c.high)
		}
		for _, r := range h.Ratings {
			if r.Source.How == "text" || r.Source.Confidence == "high" {
				t.Errorf("%s: %+v claims too much", c.conductor, r)
			}
		}
	}
	for _, c := range []struct {
		conductor string
		ambient   *float64
	}{{"0.35 mm2 ISO 6722", nil}, {"10 AWG", at(66)}} {
		if h, ok := cond(c.conductor).HeatLimit(c.ambient); ok {
			t.Errorf("%s has a limit of %v A", c.conductor, h.Amps)
		}
	}
}

// TestMoreCopper: in each family a larger size has less resistance and no lower
// limit, and heat raises resistance.
func TestMoreCopper(t *testing.T) {
	for _, f := range []circuit.Family{circuit.Metric, circuit.MetricRigid, circuit.Automotive, circuit.AWG, circuit.SAE, circuit.AutoCable} {
		all := circuit.Conductors(f)
		for i, c := range all[1:] {
			if before := all[i]; c.Area() <= before.Area() || c.OhmsPerMetre(20) >= before.OhmsPerMetre(20) || c.OhmsPerMetre(60) <= c.OhmsPerMetre(20) {
				t.Errorf("%s against %s", c, before)
			}
			a, okA := all[i].HeatLimit(nil)
			b, okB := c.HeatLimit(nil)
			if okA && (!okB || b.Amps < a.Amps) {
				t.Errorf("%s carries %v A, %s only %v", all[i], a.Amps, c, b.Amps)
			}
		}
	}
	if circuit.Conductors(circuit.Strands) != nil {
		t.Error("strands are listed")
	}
}

func TestSubstitute(t *testing.T) {
	s := must[circuit.Substitution](t)(circuit.Substitute(cond("10 AWG"), cond("6 mm2")))
	same(t, "6 mm2 for 10 AWG", s.Adequate, true)
	s = must[circuit.Substitution](t)(circuit.Substitute(cond("10 AWG"), cond("SAE 10")))
	same(t, "SAE 10 for 10 AWG", s.Adequate, false)
	s = must[circuit.Substitution](t)(circuit.Substitute(cond("6 mm2"), cond("6 mm2")))
	same(t, "itself", s.Adequate, true)
	for _, c := range [][2]circuit.Conductor{{{}, cond("6 mm2")}, {cond("6 mm2"), {}}} {
		if _, err := circuit.Substitute(c[0], c[1]); err == nil {
			t.Error("nothing is compared")
		}
	}
}

// TestAmounts reads exact quantities; the scales are those of SI.
func TestAmounts(t *testing.T) {
	type reader func(string, quantity.Quantity) (float64, error)
	for _, c := range []struct {
		text string
		read reader
		want float64
	}{
		{"13.5 V", circuit.Volts, 13.5},
		{"500 mA", circuit.Amps, 0.5},
		{"3.2 ohm", circuit.Ohms, 3.2},
		{"15 mohm", circuit.Ohms, 0.015},
		{"25.5 ft", circuit.Metres, 7.7724},
		{"0.01 in2", circuit.SquareMillimetres, 6.4516},
		{"7 Ah", circuit.AmpHours, 7},
		{"3600 C", circuit.AmpHours, 1},
		{"15 min", circuit.Minutes, 15},
		{"0.25 h", circuit.Minutes, 15},
		{"20 degC", circuit.Celsius, 20},
		{"-18 degC", circuit.Celsius, -18},
		{"150 degF", circuit.Celsius, (150.0 - 32) / 1.8},
		{"293.15 K", circuit.Celsius, 20},
		{"80 %", circuit.Fraction, 0.8},
	} {
		q := must[quantity.Quantity](t)(quantity.ParseAny(c.text))
		got, err := c.read("/x", q)
		if err != nil || got != c.want && (got-c.want > 1e-12 || c.want-got > 1e-12) {
			t.Errorf("%s is %v, %v, want %v", c.text, got, err, c.want)
		}
	}
	for _, read := range []reader{circuit.Volts, circuit.Celsius} {
		for _, q := range []quantity.Quantity{{}, quantity.MustParse(quantity.Mass, "3 kg")} {
			_, err := read("/x", q)
			var bad *circuit.Bad
			if !errors.As(err, &bad) || bad.Arg != "/x" {
				t.Errorf("%v: %v", q, err)
			}
		}
	}
}

// TestSignificant rounds to significant digits.
func TestSignificant(t *testing.T) {
	for _, c := range []struct {
		x    float64
		n    int
		want float64
	}{{14.377, 2, 14}, {0.04567, 2, 0.046}, {16.26, 3, 16.3}, {999.9, 2, 1000}, {-3.26, 2, -3.3}, {0, 2, 0}, {5.5, 0, 6}} {
		same(t, "rounded", circuit.Significant(c.x, c.n), c.want)
	}
	rapid.Check(t, func(t *rapid.T) {
		x, n := rapid.Float64Range(-1e6, 1e6).Draw(t, "x"), rapid.IntRange(1, 12).Draw(t, "n")
		y := circuit.Significant(x, n)
		if circuit.Significant(y, n) != y {
			t.Errorf("%v rounds to %v and again to another", x, y)
		}
	})
}
