package rules_test

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"

	"drawgear/rules"
	"drawgear/rules/quantity"
	"drawgear/rules/rig"
)

// limitBook is the law of the made-up country XX: every critical question is
// covered, towbars carry the trailer, and the rules given are added.
func limitBook(t *testing.T, ruleText ...string) *rules.Book {
	t.Helper()
	base := rule("xx.brakes.free", "trailer.laden.total <= kg(500)", "service_brakes: {required: false}", "") +
		rule("xx.brakes.any", "trailer.laden.total > kg(500)", "service_brakes: {required: true}", "") +
		rule("xx.away.free", "true", "breakaway: {required: false}", "") +
		rule("xx.bar", "true", "part_rating: {roles: [towbar], at_least: trailer.laden.total}", "level: rating")
	return newBook(t, rulesetText("xx", "XX", "", 1, "from: 2000-01-01", base+strings.Join(ruleText, "")))
}

func limits(t *testing.T, b *rules.Book, document string) *rules.Limits {
	t.Helper()
	r, err := rig.Decode([]byte(document))
	if err != nil {
		t.Fatal(err)
	}
	day, _ := rig.ParseDay("2026-11-25")
	l, err := b.Limits(r, day)
	if err != nil {
		t.Fatal(err)
	}
	return l
}

// braked is a rig with working brakes and a towbar of 3 t; more of the trailer
// is put in.
func braked(trailer string) string {
	return fmt.Sprintf(`{"jurisdiction": "XX", "trailer": {"brakes": {"kind": "overrun"}, "breakaway": {"kind": "none"} %s},
		"parts": [{"role": "towbar", "rated_mass": "3000 kg"}]}`, trailer)
}

// TestLimitsBoundaries: the limit is the boundary where equality is allowed, and
// the base unit of mass (1e-11 kg) below it where it is not.
func TestLimitsBoundaries(t *testing.T) {
	for _, c := range []struct {
		name, when, oblige, trailer string
		heaviest, above, next       string
		binding                     string
	}{
		{"at most", "true", "mass_limit: {of: trailer.laden.total, at_most: kg(1000)}", "", "1000 kg", "1000.00000000001 kg", "3000 kg", "xx.x/mass_limit.at_most"},
		{"less than", "true", "mass_limit: {of: trailer.laden.total, less_than: kg(1000)}", "", "999.99999999999 kg", "1000 kg", "3000 kg", "xx.x/mass_limit.less_than"},
		{"a condition of >=", "trailer.laden.total >= kg(1000)", "service_brakes: {kinds: [electric]}", "", "999.99999999999 kg", "1000 kg", "3000 kg", "xx.x/service_brakes.kinds"},
		{"a condition of >", "trailer.laden.total > kg(1000)", "service_brakes: {kinds: [electric]}", "", "1000 kg", "1000.00000000001 kg", "3000 kg", "xx.x/service_brakes.kinds"},
		// 3000 lb is 1360.77711 kg (0.45359237 kg a pound, international agreement of 1959).
		{"pounds", "true", "mass_limit: {of: trailer.laden.total, at_most: lb(3000)}", "", "3000 lb", "1360.77711000001 kg", "3000 kg", "xx.x/mass_limit.at_most"},
		{"less than in pounds", "true", "mass_limit: {of: trailer.laden.total, less_than: lb(3000)}", "", "1360.77710999999 kg", "3000 lb", "3000 kg", "xx.x/mass_limit.less_than"},
		// A third of 1000 kg, cut to the base unit.
		{"a fraction", "true", "mass_limit: {of: 3 * trailer.laden.total, at_most: kg(1000)}", "", "333.33333333333 kg", "333.33333333334 kg", "3000 kg", "xx.x/mass_limit.at_most"},
		{"the lesser", "true", "mass_limit: {of: trailer.laden.total, at_most: 'min(kg(2000), 0.5 * trailer.laden.total + kg(600))'}", "", "1200 kg", "1200.00000000001 kg", "3000 kg", "xx.x/mass_limit.at_most"},
		{"one or the other", "true", "mass_limit: {of: trailer.laden.total, at_most: 'trailer.laden.total < kg(800) ? kg(700) : kg(1500)'}", `, "tare": "800 kg"`, "1500 kg", "1500.00000000001 kg", "3000 kg", "xx.x/mass_limit.at_most"},
		{"the plate", "true", "mass_limit: {of: trailer.laden.total, at_most: trailer.rated.total}", `, "rated": {"total": "1.2 t", "axles": "1100 kg"}`, "1.2 t", "1.20000000000001 t", "3000 kg", "xx.x/mass_limit.at_most"},
		{"the axles, less the ball load", "true", "mass_limit: {of: trailer.laden.axles, at_most: kg(900)}", `, "laden": {"ball": "60 kg"}`, "960 kg", "960.00000000001 kg", "3000 kg", "xx.x/mass_limit.at_most"},
		// 900 kg on axles that carry 7 of 8 parts: 900 x 8 / 7.
		{"the axles, with a share", "true", "mass_limit: {of: trailer.laden.axles, at_most: kg(900)}", `, "laden": {"total": "800 kg", "ball": "100 kg"}`, "1028.57142857143 kg", "1028.57142857144 kg", "3000 kg", "xx.x/mass_limit.at_most"},
		// The share is what is asked, at least and at most: it stays so at every mass, and the towbar binds.
		{"a share on its limit", "true", "ball_load: {at_least: 0.04 * trailer.laden.total, at_most: 0.04 * trailer.laden.total}", `, "laden": {"total": "1000 kg", "ball": "40 kg"}`, "3000 kg", "3000.00000000001 kg", "", "xx.bar/part_rating.towbar"},
		{"nothing but the part", "true", "coupling: {marked: true}", `, "coupling": {"marked": true}`, "3000 kg", "3000.00000000001 kg", "", "xx.bar/part_rating.towbar"},
	} {
		t.Run(c.name, func(t *testing.T) {
			x := limits(t, limitBook(t, rule("xx.x", "'"+c.when+"'", c.oblige, "")), braked(c.trailer)).Today
			if x.Status != rules.Solved || x.Heaviest != c.heaviest || x.Above != c.above || x.VerdictAt != rules.Compliant || x.VerdictAbove != rules.NonCompliant {
				t.Errorf("%s: %s %s, above %s %s; want %s and %s\n%+v", x.Status, x.Heaviest, x.VerdictAt, x.Above, x.VerdictAbove, c.heaviest, c.above, x.Regions)
			}
			if !slices.ContainsFunc(x.Binding, func(y rules.Binding) bool { return y.Finding == c.binding }) {
				t.Errorf("binding %+v, want %s", x.Binding, c.binding)
			}
			next := ""
			if x.Next != nil {
				next = x.Next.Heaviest
			}
			if next != c.next {
				t.Errorf("next %q, want %q", next, c.next)
			}
		})
	}
}

// TestLimitsBalance: the load on the coupling may be said to go otherwise than
// the rig's own figures would have it.
func TestLimitsBalance(t *testing.T) {
	b := limitBook(t, rule("xx.x", "true", "mass_limit: {of: trailer.laden.axles, at_most: kg(900)}", ""))
	r, err := rig.Decode([]byte(braked(`, "laden": {"total": "800 kg", "ball": "100 kg"}`)))
	if err != nil {
		t.Fatal(err)
	}
	day, _ := rig.ParseDay("2026-11-25")
	percent := func(text string) rules.Balance {
		return rules.Balance{Share: quantity.MustParse(quantity.Percentage, text)}
	}
	for _, c := range []struct {
		balance  rules.Balance
		ball     string
		heaviest string
	}{
		{rules.Balance{}, "share", "1028.57142857143 kg"}, // 900 x 8 / 7
		{rules.Balance{Fixed: true}, "fixed", "1000 kg"},  // 900 + 100
		{percent("10 %"), "share", "1000 kg"},             // 900 / 0.9
		{percent("40 %"), "share", "1500 kg"},             // 900 / 0.6
		{percent("100 %"), "share", "3000 kg"},            // nothing on the axles; the towbar
	} {
		l, err := b.LimitsWith(r, day, c.balance)
		if err != nil {
			t.Fatal(err)
		}
		if l.Loading.Ball != c.ball || l.Today.Heaviest != c.heaviest {
			t.Errorf("%+v: %+v, %s, want %s", c.balance, l.Loading, l.Today.Heaviest, c.heaviest)
		}
	}
	for _, bad := range []rules.Balance{percent("0 %"), percent("100.1 %"), {Share: quantity.MustParse(quantity.Mass, "1 kg")}} {
		if _, err := b.LimitsWith(r, day, bad); err == nil {
			t.Errorf("%+v is taken", bad)
		}
	}
}

// TestLimitsRegions: what complies, not, and again is told as it is, and the
// limit is that of the lowest.
func TestLimitsRegions(t *testing.T) {
	b := limitBook(t, rule("xx.band", "trailer.laden.total > kg(750) && trailer.laden.total < kg(2000)", "service_brakes: {kinds: [electric]}", ""))
	x := limits(t, b, braked("")).Today
	want := []rules.MassRegion{
		{From: "0.00000000001 kg", To: "750 kg", Verdict: rules.Compliant},
		{From: "750.00000000001 kg", To: "1999.99999999999 kg", Verdict: rules.NonCompliant},
		{From: "2000 kg", To: "3000 kg", Verdict: rules.Compliant},
		{From: "3000.00000000001 kg", Verdict: rules.NonCompliant},
	}
	if x.Heaviest != "750 kg" || x.Connected || !slices.Equal(x.Regions, want) || len(x.Cautions) == 0 {
		t.Errorf("%s, connected %v, cautions %q\n%+v\nwant %+v", x.Heaviest, x.Connected, x.Cautions, x.Regions, want)
	}
}

// TestLimitsStatuses: bounded by nothing, by everything, and not known.
func TestLimitsStatuses(t *testing.T) {
	ample := `{"jurisdiction": "XX", "trailer": {"brakes": {"kind": "overrun"}, "breakaway": {"kind": "none"}}, "parts": [{"role": "towbar", "count": 0}]}`
	rated := rule("xx.axles", "trailer.laden.axles > kg(700)", "service_brakes: {kinds: [electric]}", "")
	tested := rule("xx.tested", "true", "braking_performance: {efficiency: 45 %}", "")
	for _, c := range []struct {
		name, rules, rig string
		status           rules.LimitStatus
		decided          bool
		heaviest, beyond string
		waits            []string
		binding          string
	}{
		{"nothing binds", "", ample, rules.Unbounded, true, "", "", nil, ""},
		{"nothing complies", rule("xx.x", "true", "coupling: {marked: true}", ""), braked(`, "coupling": {"marked": false}`), rules.None, true, "", "", nil, "xx.x/coupling.marked"},
		{"the ball load is missing", rated, braked(`, "laden": {"total": "900 kg"}`), rules.Open, false, "3000 kg", "", []string{"/trailer/laden/ball"}, "xx.bar/part_rating.towbar"},
		{"a plate is missing", rule("xx.x", "trailer.rated.total > kg(700)", "service_brakes: {kinds: [electric]}", ""), braked(`, "rated": {"axles": "800 kg"}`), rules.Open, false, "3000 kg", "", []string{"/trailer/rated/total"}, "xx.bar/part_rating.towbar"},
		{"a test is missing", tested, braked(""), rules.Open, false, "3000 kg", "", []string{"/evidence/efficiency"}, "xx.bar/part_rating.towbar"},
		{"a test is missing above", strings.Replace(tested, "when: true", "when: trailer.laden.total > kg(900)", 1), braked(""), rules.Solved, true, "900 kg", "3000 kg", nil, "xx.tested/braking_performance.efficiency"},
		{"nothing is known of the parts", "", `{"jurisdiction": "XX", "trailer": {"brakes": {"kind": "overrun"}}}`, rules.Open, false, "", "", []string{"/parts/-"}, ""},
	} {
		t.Run(c.name, func(t *testing.T) {
			x := limits(t, limitBook(t, c.rules), c.rig).Today
			if x.Status != c.status || x.Decided != c.decided || x.Heaviest != c.heaviest || !slices.Equal(x.WaitsFor, c.waits) && c.waits != nil {
				t.Errorf("%s %v %q waits for %v; want %s %v %q %v", x.Status, x.Decided, x.Heaviest, x.WaitsFor, c.status, c.decided, c.heaviest, c.waits)
			}
			if c.beyond == "" != (x.Beyond == nil) || x.Beyond != nil && (x.Beyond.Heaviest != c.beyond || x.Beyond.Decided || x.Beyond.VerdictAt != rules.Undetermined) {
				t.Errorf("beyond %+v, want %q", x.Beyond, c.beyond)
			}
			if c.binding != "" && !slices.ContainsFunc(x.Binding, func(y rules.Binding) bool { return y.Finding == c.binding }) {
				t.Errorf("binding %+v, want %s", x.Binding, c.binding)
			}
		})
	}
}

// TestLimitsNotCovered: where the law held falls silent the limit ends, and no
// rule could be lifted.
func TestLimitsNotCovered(t *testing.T) {
	b := newBook(t, rulesetText("xx", "XX", "", 1, "from: 2000-01-01",
		rule("xx.brakes", "trailer.laden.total <= kg(800)", "service_brakes: {required: false}", "")+
			rule("xx.away", "true", "breakaway: {required: false}", "")+
			rule("xx.bar", "true", "part_rating: {roles: [towbar], at_least: trailer.laden.total}", "")))
	l := limits(t, b, braked(""))
	x := l.Today
	if x.Heaviest != "800 kg" || len(x.Binding) != 1 || x.Binding[0].Becomes != "not_covered" || x.Binding[0].Question != "brakes" || x.Next != nil {
		t.Errorf("%s %+v next %+v", x.Heaviest, x.Binding, x.Next)
	}
	day, _ := rig.ParseDay("1999-12-31")
	r, _ := rig.Decode([]byte(braked("")))
	before, err := b.Limits(r, day)
	if err != nil {
		t.Fatal(err)
	}
	if y := before.Today; y.Status != rules.Open || y.Heaviest != "" || !slices.Equal(y.NotCovered, []string{"brakes", "breakaway", "parts_rated"}) {
		t.Errorf("before any law: %+v", y)
	}
	r, _ = rig.Decode([]byte(`{"jurisdiction": "YY"}`))
	var unknown *rules.UnknownJurisdiction
	if _, err := b.Limits(r, day); !errors.As(err, &unknown) {
		t.Errorf("a place without law: %v", err)
	}
}

// TestLimitsTooMany: an amount with more forms than are followed is not solved
// by halves.
func TestLimitsTooMany(t *testing.T) {
	var terms []string
	for i := range 7 { // each doubles the forms
		terms = append(terms, fmt.Sprintf("min(trailer.laden.total, kg(%d))", 100<<i))
	}
	b := limitBook(t, rule("xx.x", "true", "mass_limit: {of: '"+strings.Join(terms, " + ")+"', at_most: kg(3000)}", ""))
	x := limits(t, b, braked("")).Today
	if x.Status != rules.Open || x.Heaviest != "" || len(x.Cautions) == 0 {
		t.Errorf("%+v", x)
	}
}

// TestLimitsArrangements: each permitted kind of brake is solved with what is
// asked of it, and one that no mass permits is left out.
func TestLimitsArrangements(t *testing.T) {
	b := limitBook(t,
		rule("xx.kinds", "trailer.laden.total > kg(500)", "service_brakes: {kinds: [overrun, electric]}", ""),
		rule("xx.heavy", "trailer.laden.total > kg(2000)", "service_brakes: {kinds: [electric], wheels: all, operable_from_cab: true}, breakaway: {any_of: [automatic], hold: 15 min}", "overrides: [xx.away.free]"),
		rule("xx.parked", "trailer.laden.total > kg(1000)", "parking_brake: {required: true}", ""),
		rule("xx.never", "true", "service_brakes: {kinds: [overrun, electric, air]}", "level: practice"),
	)
	l := limits(t, b, `{"jurisdiction": "XX", "trailer": {"axle_count": 2, "parking_brake": false, "brakes": {"kind": "none"}, "breakaway": {"kind": "none"}}, "parts": [{"role": "towbar", "rated_mass": "3000 kg"}]}`)
	if l.Today.Heaviest != "500 kg" {
		t.Errorf("today %s", l.Today.Heaviest)
	}
	var got []string
	for _, x := range l.Arrangements {
		a := *x.Brakes
		got = append(got, fmt.Sprintf("%s %s %v %s %s %v: %s", a.Kind, a.BrakedAxles, a.OperableFromCab, a.Breakaway, a.Hold, a.ParkingBrake, x.Heaviest))
	}
	want := []string{
		"none  false   false: 500 kg",
		"overrun one false   true: 2000 kg",
		// The other kinds stop at 500 kg, where a kind is first asked for.
		"surge one false   false: 500 kg",
		"electric one true   true: 2000 kg",
		"electric all true automatic 15 min true: 3000 kg",
		"electric_hydraulic one true   false: 500 kg",
		"hydraulic one true   false: 500 kg",
		"air one true   false: 500 kg",
		"vacuum one true   false: 500 kg",
	}
	if !slices.Equal(got, want) {
		t.Errorf("got\n%s\nwant\n%s", strings.Join(got, "\n"), strings.Join(want, "\n"))
	}
	only := limitBook(t, rule("xx.kinds", "true", "service_brakes: {kinds: [electric]}", ""))
	for _, x := range limits(t, only, braked("")).Arrangements {
		if x.Brakes.Kind != "electric" && x.Brakes.Kind != "none" {
			t.Errorf("%s is nowhere permitted", x.Brakes.Kind)
		}
	}
}

// TestChanges: the smallest sets of changes, worked out by hand, in the order of
// a workshop.
func TestChanges(t *testing.T) {
	heavy := rule("xx.heavy", "trailer.laden.total > kg(750)", "service_brakes: {kinds: [overrun, electric]}, breakaway: {any_of: [automatic], hold: 15 min}", "overrides: [xx.away.free]") +
		rule("xx.chains", "true", "safety_chains: {count: 2, each_breaking_over: 2 * trailer.laden.total}", "")
	for _, c := range []struct {
		name, rules, rig string
		want             []string // a line each set
	}{
		{
			"a towbar too weak", "", braked(`, "laden": {"total": "3.2 t"}`),
			[]string{"compliant: Unload the trailer to a laden total of at most 3000 kg.", "compliant: Replace the towbar by one rated for at least 3200 kg."},
		},
		{
			"which cannot be unloaded so far", "", braked(`, "tare": "3.1 t", "laden": {"total": "3.2 t"}`),
			[]string{"compliant: Replace the towbar by one rated for at least 3200 kg."},
		},
		{
			"too little on the coupling", rule("xx.x", "true", "ball_load: {at_least: 0.04 * trailer.laden.total, at_most: kg(100)}", ""),
			braked(`, "laden": {"total": "2000 kg", "ball": "30 kg"}`),
			[]string{"compliant: Shift load forward in the trailer until the coupling carries at least 80 kg."},
		},
		{
			// As little as 4 % is asked and no more than 100 kg: at 2600 kg that is 104 kg, so that load must come off, too.
			"no ball load fits", rule("xx.x", "true", "ball_load: {at_least: 0.04 * trailer.laden.total, at_most: kg(100)}", ""),
			braked(`, "laden": {"total": "2600 kg", "ball": "104 kg"}`),
			[]string{"compliant: Unload the trailer to a laden total of at most 2500 kg."},
		},
		{
			"no brakes", heavy,
			`{"jurisdiction": "XX", "trailer": {"axle_count": 1, "laden": {"total": "1000 kg"}, "brakes": {"kind": "none"}, "breakaway": {"kind": "none"}},
				"parts": [{"role": "towbar", "rated_mass": "3000 kg"}, {"role": "chain", "count": 1, "breaking_mass": "1500 kg"}]}`,
			[]string{
				"compliant: Unload the trailer to a laden total of at most 500 kg. + Fit 2 safety chains, each of a breaking strength of at least 1000.00000000001 kg.",
				"compliant: Fit 2 safety chains, each of a breaking strength of at least 2000.00000000001 kg. + Fit a breakaway that applies the brakes by itself and holds 15 min. + Fit overrun brakes to the wheels of every axle. (or electric)",
			},
		},
		{
			"a test that was failed", rule("xx.x", "true", "braking_performance: {efficiency: 45 %}", ""),
			`{"jurisdiction": "XX", "trailer": {"laden": {"total": "1000 kg"}, "brakes": {"kind": "overrun"}}, "evidence": {"efficiency": "40 %"}, "parts": [{"role": "towbar", "rated_mass": "3000 kg"}]}`,
			[]string{"compliant: Adjust or repair the brakes until they reach 45 %, and prove it by test."},
		},
		{
			"one fault and something missing", rule("xx.x", "true", "coupling: {marked: true, positive_lock: true}", ""),
			braked(`, "laden": {"total": "1000 kg"}, "coupling": {"marked": false}`),
			[]string{"undetermined: Fit a coupling with this feature: marked. (waits for /trailer/coupling/positive_lock)"},
		},
		{"in order", "", braked(`, "laden": {"total": "1000 kg"}`), nil},
	} {
		t.Run(c.name, func(t *testing.T) {
			l := limits(t, limitBook(t, c.rules), c.rig)
			var got []string
			for _, s := range l.Changes {
				var texts []string
				for _, x := range s.Changes {
					if x.Text == "" || len(x.Set) == 0 || !slices.Contains(rules.Deeds, x.Do) {
						t.Errorf("%+v", x)
					}
					text := x.Text
					if x.Or != nil {
						text += " (or " + strings.Join(x.Or, ", ") + ")"
					}
					texts = append(texts, text)
				}
				line := string(s.Verdict) + ": " + strings.Join(texts, " + ")
				if s.WaitsFor != nil {
					line += " (waits for " + strings.Join(s.WaitsFor, ", ") + ")"
				}
				got = append(got, line)
			}
			if !slices.Equal(got, c.want) {
				t.Errorf("got\n%s\nwant\n%s", strings.Join(got, "\n"), strings.Join(c.want, "\n"))
			}
		})
	}
}
