package expr_test

import (
	"fmt"
	"maps"
	"slices"
	"strings"
	"testing"

	"drawgear/rules/expr"
	"drawgear/rules/quantity"
	"drawgear/rules/rig"
)

// doc makes a rig of the facts given by path, all of which must stand.
func doc(t testing.TB, values map[string]any) *rig.Rig {
	t.Helper()
	tree := map[string]any{}
	for p, v := range values {
		put(tree, rig.ByID(rig.Must(p)), v)
	}
	r, err := rig.FromTree(tree)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

func cond(t testing.TB, text string) *expr.Program {
	t.Helper()
	p, err := expr.CompileCondition(text)
	if err != nil {
		t.Fatalf("%s: %v", text, err)
	}
	return p
}

// TestBoundary puts a figure on, just under and just over a limit, each in the
// unit of the other. A pound is 0.45359237 kg (international yard and pound
// agreement, 1959), so 3000 lb are 1360.77711 kg to the last digit.
func TestBoundary(t *testing.T) {
	for _, tt := range []struct{ limit, figure, order string }{
		{"lb(3000)", "2999.999 lb", "<"},
		{"lb(3000)", "3000 lb", "="},
		{"lb(3000)", "3000.001 lb", ">"},
		{"lb(3000)", "1360.77710999999 kg", "<"},
		{"lb(3000)", "1360.77711 kg", "="},
		{"lb(3000)", "1360.77711000001 kg", ">"},
		{"lb(3000)", "1360.78 kg", ">"}, // rounding to two decimals is over
		{"kg(1360.77711)", "3000 lb", "="},
		{"kg(2000)", "1999.99999999999 kg", "<"},
		{"kg(2000)", "2 t", "="},
		{"t(2)", "2000.00000000001 kg", ">"},
		{"kg(750)", "1653.467 lb", ">"}, // 750 kg have no decimal in pounds
		{"kg(750)", "1653.466 lb", "<"},
		{"kg(0)", "0 lb", "="},
	} {
		r := doc(t, map[string]any{"trailer.tare": tt.figure})
		for op, holds := range map[string]string{"<": "<", "<=": "<=", "==": "=", "!=": "<>", ">=": ">=", ">": ">"} {
			want := expr.False
			if strings.Contains(holds, tt.order) {
				want = expr.True
			}
			turned := strings.NewReplacer("<", ">", ">", "<").Replace(op)
			for _, text := range []string{"trailer.tare " + op + " " + tt.limit, tt.limit + " " + turned + " trailer.tare"} {
				if got := cond(t, text).Truth(r); got != want {
					t.Errorf("%s with %s: %v", text, tt.figure, truths[got])
				}
			}
		}
	}
}

// TestFactors compares by cross-multiplying: 40 percent of 3400 lb are 1360 lb
// exactly, which neither side has as a binary fraction, and a third of 1000 kg
// is met by no figure there is.
func TestFactors(t *testing.T) {
	for _, tt := range []struct {
		text, tare, kerb string
		want             expr.Truth
	}{
		{"trailer.tare == 0.4 * vehicle.kerb", "1360 lb", "3400 lb", expr.True},
		{"trailer.tare <= 0.4 * vehicle.kerb", "1360 lb", "3400 lb", expr.True},
		{"trailer.tare > 0.4 * vehicle.kerb", "1360.001 lb", "3400 lb", expr.True},
		{"trailer.tare >= vehicle.kerb * 0.4", "1359.999 lb", "3400 lb", expr.False},
		{"trailer.tare == 0.1 * vehicle.kerb", "0.00000000001 kg", "0.0000000001 kg", expr.True},
		{"3 * trailer.tare == vehicle.kerb", "333.33333333333 kg", "1000 kg", expr.False},
		{"3 * trailer.tare < vehicle.kerb", "333.33333333333 kg", "1000 kg", expr.True},
		{"3 * trailer.tare > vehicle.kerb", "333.33333333334 kg", "1000 kg", expr.True},
		{"1.5 * trailer.tare == vehicle.kerb", "2 t", "3000 kg", expr.True},
		{"1.75 * trailer.tare >= 0.7 * vehicle.kerb", "400 lb", "1000 lb", expr.True},
		{"1.75 * trailer.tare > 0.7 * vehicle.kerb", "400 lb", "1000 lb", expr.False},
		{"0.5 * (0.2 * (trailer.tare + vehicle.kerb)) == kg(300)", "1000 kg", "2000 kg", expr.True},
		{"vehicle.kerb - 0.4 * vehicle.kerb == 0.6 * vehicle.kerb", "1 kg", "1234.567 lb", expr.True},
		{"0 * trailer.tare == kg(0)", "1000 kg", "1 kg", expr.True},
		{"min(0.5 * trailer.tare, vehicle.kerb) == kg(0.5)", "1 kg", "1 kg", expr.True},
		{"max(0.5 * trailer.tare, 0.3 * vehicle.kerb) == kg(0.5)", "1 kg", "1 kg", expr.True},
	} {
		r := doc(t, map[string]any{"trailer.tare": tt.tare, "vehicle.kerb": tt.kerb})
		if got := cond(t, tt.text).Truth(r); got != tt.want {
			t.Errorf("%s with %s and %s: %q", tt.text, tt.tare, tt.kerb, truths[got])
		}
	}
}

// TestTruthTables holds the connectives to Kleene's strong tables (S. C. Kleene,
// Introduction to Metamathematics, 1952, section 64), in both orders: the CEL
// language definition, "Logical Operators", makes && and || commutative, any
// operand that decides deciding. Of ?: it says that the condition chooses; with
// the condition unknown nothing is chosen, not even where both branches agree.
func TestTruthTables(t *testing.T) {
	const (
		a = "use.commercial"
		b = "use.interstate"
		c = "use.abroad"
	)
	and := map[string]string{"TT": "T", "TF": "F", "TU": "U", "FT": "F", "FF": "F", "FU": "F", "UT": "U", "UF": "F", "UU": "U"}
	or := map[string]string{"TT": "T", "TF": "T", "TU": "T", "FT": "T", "FF": "F", "FU": "U", "UT": "T", "UF": "U", "UU": "U"}
	eq := map[string]string{"TT": "T", "TF": "F", "TU": "U", "FT": "F", "FF": "T", "FU": "U", "UT": "U", "UF": "U", "UU": "U"}
	letter := map[expr.Truth]string{expr.True: "T", expr.False: "F", expr.Unknown: "U"}
	value := map[string]expr.Truth{"T": expr.True, "F": expr.False, "U": expr.Unknown}
	not := map[string]string{"T": "F", "F": "T", "U": "U"}
	check := func(text string, r *rig.Rig, want string) {
		t.Helper()
		if got := letter[cond(t, text).Truth(r)]; got != want {
			t.Errorf("%s: %s, want %s", text, got, want)
		}
	}
	for _, x := range "TFU" {
		for _, y := range "TFU" {
			key := string(x) + string(y)
			values := map[string]any{}
			for p, v := range map[string]rune{a: x, b: y} {
				if v != 'U' {
					values[p] = v == 'T'
				}
			}
			r := doc(t, values)
			check(a+" && "+b, r, and[key])
			check(a+" || "+b, r, or[key])
			check("!"+a, r, not[string(x)])
			check("!("+a+" && "+b+")", r, not[and[key]])
			check(a+" == "+b, r, eq[key])
			check(a+" != "+b, r, not[eq[key]])
			if got := value[string(x)].And(value[string(y)]); got != value[and[key]] {
				t.Errorf("And(%s): %v", key, got)
			}
			if got := value[string(x)].Or(value[string(y)]); got != value[or[key]] {
				t.Errorf("Or(%s): %v", key, got)
			}
			for _, z := range "TFU" {
				values := maps.Clone(values)
				if z != 'U' {
					values[c] = z == 'T'
				}
				want := map[rune]string{'T': string(x), 'F': string(y), 'U': "U"}[z]
				check(fmt.Sprintf("%s ? %s : %s", c, a, b), doc(t, values), want)
			}
		}
	}
}

// TestMissing lists only what an unknown outcome waits for.
func TestMissing(t *testing.T) {
	for _, tt := range []struct {
		text  string
		facts map[string]any
		want  string
	}{
		{"trailer.tare > kg(1)", nil, "trailer.tare"},
		{"trailer.tare > kg(1)", map[string]any{"trailer.tare": "2 kg"}, ""},
		{"trailer.tare > kg(1) && use.commercial", map[string]any{"use.commercial": false}, ""},
		{"trailer.tare > kg(1) && use.commercial", map[string]any{"use.commercial": true}, "trailer.tare"},
		{"trailer.tare > kg(1) || use.commercial", map[string]any{"use.commercial": true}, ""},
		{"trailer.tare > kg(1) || use.commercial", map[string]any{"use.commercial": false}, "trailer.tare"},
		{"trailer.tare > kg(1) || use.commercial", nil, "trailer.tare use.commercial"},
		{"use.abroad || (trailer.tare > kg(1) && use.commercial)", map[string]any{"use.commercial": false}, "use.abroad"},
		{"use.abroad && (trailer.tare > kg(1) || use.commercial)", map[string]any{"use.commercial": true}, "use.abroad"},
		{"use.abroad ? trailer.tare > kg(1) : vehicle.kerb > kg(1)", nil, "use.abroad"},
		{"use.abroad ? trailer.tare > kg(1) : vehicle.kerb > kg(1)", map[string]any{"use.abroad": true}, "trailer.tare"},
		{"use.abroad ? trailer.tare > kg(1) : vehicle.kerb > kg(1)", map[string]any{"use.abroad": false}, "vehicle.kerb"},
		{"(use.abroad ? trailer.tare : vehicle.kerb) > vehicle.unladen", map[string]any{"use.abroad": false}, "vehicle.kerb vehicle.unladen"},
		{"trailer.tare + vehicle.kerb > kg(1)", map[string]any{"trailer.tare": "5 kg"}, "vehicle.kerb"},
		{"min(trailer.tare, 0.5 * vehicle.kerb) > kg(1)", nil, "trailer.tare vehicle.kerb"},
		{"trailer.tare > trailer.tare", nil, "trailer.tare"},
		{`trailer.purpose in ["boat"] || "un-r13" in trailer.approvals`, nil, "trailer.approvals trailer.purpose"},
		{`trailer.purpose in ["boat"] || "un-r13" in trailer.approvals`, map[string]any{"trailer.approvals": []any{}}, "trailer.purpose"},
		{`trailer.registered_in == vehicle.registered_in`, map[string]any{"trailer.registered_in": "GB"}, "vehicle.registered_in"},
		{`trailer.built < date("1988-07-01") && true`, nil, "trailer.built"},
		{"(use.abroad == true) == use.commercial", map[string]any{"use.abroad": false}, "use.commercial"},
		{"true", nil, ""},
	} {
		if got := missing(cond(t, tt.text), doc(t, tt.facts)); got != tt.want {
			t.Errorf("%s with %v: %q, want %q", tt.text, tt.facts, got, tt.want)
		}
	}
}

// TestExplain reads the reasons as a person would.
func TestExplain(t *testing.T) {
	r := doc(t, map[string]any{
		"trailer.tare": "3000 lb", "vehicle.kerb": "2000 kg", "trailer.rated.total": "1500 kg", "trailer.purpose": "boat", "trailer.axle_count": 2,
		"trailer.built": "1990-01-01", "trailer.approvals": []any{"un-r13"}, "use.commercial": true, "use.abroad": false, "use.speed": "100 km/h",
	})
	terms := map[string]string{"trailer.tare": "tare", "vehicle.kerb": "kerb mass", "trailer.rated.total": "ATM", "trailer.purpose": "purpose"}
	term := func(id rig.ID) string {
		if s := terms[path(id)]; s != "" {
			return s
		}
		return path(id)
	}
	for _, tt := range []struct{ text, want string }{
		{"trailer.rated.total > kg(1000)", "ATM 1500 kg is over 1000 kg by 500 kg"},
		{"kg(1000) < trailer.rated.total", "ATM 1500 kg is over 1000 kg by 500 kg"},
		{"trailer.rated.total < kg(2000)", "ATM 1500 kg is under 2000 kg by 500 kg"},
		{"trailer.rated.total >= kg(1500)", "ATM 1500 kg is at least 1500 kg"},
		{"trailer.rated.total > kg(1500)", "ATM 1500 kg is not over 1500 kg"},
		{"trailer.rated.total == kg(1500)", "ATM 1500 kg is 1500 kg"},
		{"trailer.rated.total != kg(1499)", "ATM 1500 kg is not 1499 kg"},
		{"trailer.rated.total <= kg(1400)", "ATM 1500 kg is over 1400 kg by 100 kg"},
		// The rig's unit first, then the law's; the margin in the law's.
		{"trailer.tare > kg(750)", "tare 3000 lb (1360.77711 kg) is over 750 kg by 610.77711 kg"},
		{"trailer.tare > lb(1000)", "tare 3000 lb is over 1000 lb by 2000 lb"},
		{"trailer.rated.total > lb(3000)", "ATM 1500 kg (about 3306.93 lb) is over 3000 lb by about 306.934 lb"},
		{"use.speed > mph(60)", "use.speed 100 km/h (about 62.1371 mph) is over 60 mph by about 2.13712 mph"},
		{"trailer.tare > 0.4 * vehicle.kerb", "tare 3000 lb (1360.77711 kg) is over 800 kg (0.4 x kerb mass) by 560.77711 kg"},
		{"2 * (trailer.rated.total + vehicle.kerb) > kg(1)", "7000 kg (2 x (ATM + kerb mass)) is over 1 kg by 6999 kg"},
		{"vehicle.kerb - (trailer.rated.total - kg(1)) > kg(0)", "501 kg (kerb mass - (ATM - 1 kg)) is over 0 kg by 501 kg"},
		{"min(vehicle.kerb, kg(900)) + kg(1) == kg(901)", "901 kg ((lesser of kerb mass and 900 kg) + 1 kg) is 901 kg"},
		{"max(vehicle.kerb, kg(900)) < kg(1)", "2000 kg (greater of kerb mass and 900 kg) is not under 1 kg (1999 kg above)"},
		{"(use.commercial ? vehicle.kerb : vehicle.unladen) < kg(1)", "2000 kg (kerb mass or vehicle.unladen) is not under 1 kg (1999 kg above)"},
		{"trailer.axle_count > 1", "trailer.axle_count 2 is over 1"},
		{"1.5 * kg(2) < trailer.rated.total", "3 kg (1.5 x 2 kg) is under ATM 1500 kg by 1497 kg"},
		{"2 * trailer.axle_count >= 3", "2 x trailer.axle_count is at least 3"},
		{`trailer.built >= date("1988-07-01")`, "trailer.built 1990-01-01 is not before 1988-07-01"},
		{`trailer.purpose == "boat"`, "purpose is boat"},
		{`"camping" != trailer.purpose`, "purpose boat is not camping"},
		{`trailer.purpose in ["camping", "boat"]`, "purpose is boat"},
		{`"un-r13" in trailer.approvals`, "trailer.approvals include un-r13"},
		{`"un-r55" in trailer.approvals`, "trailer.approvals do not include un-r55"},
		{"use.commercial", "use.commercial: yes"},
		{"use.commercial == false", "use.commercial: yes"},
		{"!use.commercial == true", "use.commercial: yes"},
		{`(trailer.purpose in ["boat"]) == use.commercial`, "purpose is boat; use.commercial: yes"},
		// Only what decided: one false part of &&, one true part of ||.
		{"use.abroad && trailer.rated.total > kg(1)", "use.abroad: no"},
		{"use.abroad && trailer.rated.total > kg(5000)", "use.abroad: no"},
		{"trailer.rated.total > kg(1000) || use.commercial", "ATM 1500 kg is over 1000 kg by 500 kg"},
		{"trailer.rated.total > kg(1) && use.commercial", "ATM 1500 kg is over 1 kg by 1499 kg; use.commercial: yes"},
		{"use.abroad || trailer.rated.total > kg(1)", "ATM 1500 kg is over 1 kg by 1499 kg"},
		{"use.abroad || trailer.rated.total < kg(1)", "use.abroad: no; ATM 1500 kg is not under 1 kg (1499 kg above)"},
		{"vehicle.abs || use.commercial", "use.commercial: yes"},
		{"!(use.abroad || !use.commercial)", "use.abroad: no; use.commercial: yes"},
		{"use.commercial ? use.abroad : vehicle.abs", "use.commercial: yes; use.abroad: no"},
		{"vehicle.abs", ""},
		{"true", ""},
	} {
		var got []string
		for _, reason := range cond(t, tt.text).Explain(r, term) {
			got = append(got, reason.Text)
		}
		if s := strings.Join(got, "; "); s != tt.want {
			t.Errorf("%s\n got %s\nwant %s", tt.text, s, tt.want)
		}
	}
	reason := cond(t, "trailer.tare > 0.4 * vehicle.kerb").Explain(r, term)[0]
	if reason.Limit != "800 kg" || reason.Margin != "560.77711 kg" || !slices.Equal(reason.Facts, []rig.ID{rig.Must("trailer.tare"), rig.Must("vehicle.kerb")}) {
		t.Errorf("%+v", reason)
	}
}

// TestThresholds finds where an outcome can change, written either way round.
func TestThresholds(t *testing.T) {
	text := `trailer.tare > kg(750) && lb(3000) >= vehicle.kerb && (trailer.built < date("1988-07-01")
  || 2 != trailer.axle_count || trailer.axle_count == 3) && !(m(3) < trailer.length) && use.speed <= mph(60)
  && trailer.purpose == "boat" && use.commercial == true && 2 * trailer.tare > kg(1) && trailer.tare > vehicle.kerb && kg(1) < kg(2)`
	var got []string
	for _, th := range cond(t, text).Thresholds() {
		constant := th.Constant.String()
		if th.Constant.Unit == 0 {
			constant = fmt.Sprint(th.Constant.Num)
		}
		got = append(got, fmt.Sprintf("%d:%d %s %s %s", th.Line, th.Column, path(th.Fact), th.Operator, constant))
	}
	want := []string{
		"1:14 trailer.tare > 750 kg", "1:36 vehicle.kerb <= 3000 lb", "1:70 trailer.built < 6756", "2:8 trailer.axle_count != 2",
		"2:52 trailer.axle_count == 3", "2:68 trailer.length > 3 m", "2:99 use.speed <= 60 mph",
	}
	if !slices.Equal(got, want) {
		t.Errorf("got\n%s\nwant\n%s", strings.Join(got, "\n"), strings.Join(want, "\n"))
	}
}

// TestProgram covers what a program tells of itself.
func TestProgram(t *testing.T) {
	p, err := expr.CompileAmount("  min(1.5 * vehicle.kerb, lb(3000))\n", quantity.Mass)
	if err != nil {
		t.Fatal(err)
	}
	if got := p.Text(); got != "min(1.5 * vehicle.kerb, lb(3000))" {
		t.Errorf("Text: %q", got)
	}
	if got := p.Formula(path); got != "lesser of 1.5 x vehicle.kerb and 3000 lb" {
		t.Errorf("Formula: %q", got)
	}
	if p.Constant() || !p.Sets() || !slices.Equal(p.Facts(), []rig.ID{rig.Must("vehicle.kerb")}) {
		t.Errorf("Constant %v, Sets %v, Facts %v", p.Constant(), p.Sets(), p.Facts())
	}
	v, known := p.Value(doc(t, map[string]any{"vehicle.kerb": "2000 lb"}))
	if !known || v.String() != "3000 lb" {
		t.Errorf("Value: %v %v", v, known)
	}
	if v, known := p.Value(doc(t, nil)); known {
		t.Errorf("Value of nothing: %v", v)
	}
	bare, err := expr.CompileAmount("vehicle.kerb", quantity.Mass)
	if err != nil {
		t.Fatal(err)
	}
	if v, _ := bare.Value(doc(t, map[string]any{"vehicle.kerb": "2000 lb"})); v.Text() != "907.18474 kg" || bare.Sets() {
		t.Errorf("without a unit of law the base unit is shown: %s", v.Text())
	}
	// A third of a base unit cannot be printed: the nearest one is.
	tenth, err := expr.CompileAmount("0.1 * vehicle.kerb", quantity.Mass)
	if err != nil {
		t.Fatal(err)
	}
	for kerb, want := range map[string]string{"0.00000000004 kg": "0 kg", "0.00000000005 kg": "0.00000000001 kg"} {
		if v, _ := tenth.Value(doc(t, map[string]any{"vehicle.kerb": kerb})); v.String() != want {
			t.Errorf("a tenth of %s prints %s, want %s", kerb, v, want)
		}
	}
}

// TestNames uses a defined condition as if it were written out.
func TestNames(t *testing.T) {
	names := expr.Names{"heavy": cond(t, "trailer.tare > kg(750)"), "trade": cond(t, "use.commercial")}
	p, err := expr.CompileWithNames("named.heavy && !named.trade || named.heavy == named.trade", names)
	if err != nil {
		t.Fatal(err)
	}
	written := cond(t, "(trailer.tare > kg(750)) && !(use.commercial) || (trailer.tare > kg(750)) == (use.commercial)")
	for _, values := range []map[string]any{
		nil,
		{"trailer.tare": "750 kg"},
		{"trailer.tare": "751 kg", "use.commercial": false},
		{"trailer.tare": "751 kg", "use.commercial": true},
		{"trailer.tare": "750 kg", "use.commercial": true},
		{"use.commercial": false},
	} {
		r := doc(t, values)
		if got, want := condition(p, r), condition(written, r); got != want {
			t.Errorf("%v: %+v, want %+v", values, got, want)
		}
		if got, want := p.Explain(r, path), written.Explain(r, path); fmt.Sprint(got) != fmt.Sprint(want) {
			t.Errorf("%v: %v, want %v", values, got, want)
		}
	}
	if !slices.Equal(p.Uses(), []string{"heavy", "trade"}) {
		t.Errorf("Uses: %v", p.Uses())
	}
	for _, text := range []string{"named.light", "named.heavy > kg(1)", "named"} {
		if _, err := expr.CompileWithNames(text, names); err == nil {
			t.Errorf("%s compiles", text)
		}
	}
}
