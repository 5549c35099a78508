package duty

import (
	"bytes"
	"fmt"
	"reflect"
	"slices"
	"strings"
	"testing"

	"go.yaml.in/yaml/v3"

	"drawgear/rules/rig"
)

// compile reads an obligation as rulesets are read, strictly.
func compile(tb testing.TB, text string) []Duty {
	tb.Helper()
	ds, err := tryCompile(text)
	if err != nil {
		tb.Fatalf("%s\ndoes not compile: %v", text, err)
	}
	return ds
}

func tryCompile(text string) ([]Duty, error) {
	var o Oblige
	dec := yaml.NewDecoder(bytes.NewReader([]byte(text)))
	dec.KnownFields(true)
	if err := dec.Decode(&o); err != nil {
		return nil, err
	}
	return o.Compile()
}

func find(tb testing.TB, text, question string) *Duty {
	tb.Helper()
	ds := compile(tb, text)
	for i := range ds {
		if ds[i].Question == question {
			return &ds[i]
		}
	}
	tb.Fatalf("%s\nasks nothing on %s", text, question)
	return nil
}

func tree(tb testing.TB, text string) map[string]any {
	tb.Helper()
	var m map[string]any
	if err := yaml.Unmarshal([]byte(text), &m); err != nil {
		tb.Fatalf("%s: %v", text, err)
	}
	return m
}

func aRig(tb testing.TB, text string) *rig.Rig {
	tb.Helper()
	r, err := rig.FromTree(tree(tb, text))
	if err != nil {
		tb.Fatalf("%s\nis refused: %v", text, err)
	}
	return r
}

// term gives one fact its name in a place, and the others their path.
func term(id rig.ID) string {
	if id == rig.Must("trailer.rated.axles") {
		return "GTM"
	}
	return rig.ByID(id).Path
}

func pointers(needs []Need) []string {
	var out []string
	for _, n := range needs {
		out = append(out, n.Pointer)
	}
	return out
}

// want is what a check must find. Fields left empty must be empty in the
// result too, but for the summary, of which want holds a fragment.
type want struct {
	status  Status
	summary string
	limit   string
	margin  string
	remedy  string
	needs   []string
}

type check struct {
	rig string
	want
}

func compare(t *testing.T, r *rig.Rig, d *Duty, w want) {
	t.Helper()
	got := d.Check(r, term)
	if got.Status != w.status {
		t.Fatalf("is %s (%s), want %s", got.Status, got.Summary, w.status)
	}
	if !strings.Contains(got.Summary, w.summary) || !strings.HasSuffix(got.Summary, ".") {
		t.Errorf("says %q, want %q in it", got.Summary, w.summary)
	}
	if got.Limit != w.limit || got.Margin != w.margin {
		t.Errorf("limit %q and margin %q, want %q and %q", got.Limit, got.Margin, w.limit, w.margin)
	}
	if got.Remedy != w.remedy {
		t.Errorf("remedy %q, want %q", got.Remedy, w.remedy)
	}
	if (got.Status == NotMet) != (got.Remedy != "") {
		t.Errorf("%s with remedy %q", got.Status, got.Remedy)
	}
	if ps := pointers(got.Needs); !slices.Equal(ps, w.needs) {
		t.Errorf("needs %v, want %v", ps, w.needs)
	}
	for _, n := range got.Needs {
		if n.Meaning == "" {
			t.Errorf("%s is asked for without saying what it is", n.Pointer)
		}
	}
	for _, in := range got.Inputs {
		if in.Value == "" || in.Value == "unknown" || !strings.HasPrefix(in.Pointer, "/") {
			t.Errorf("input %+v", in)
		}
	}
	if got.Status == Unknown && len(got.Needs) == 0 {
		t.Error("unknown, and nothing to ask for")
	}
	// The same rig and duty give the same words, and unknown facts no panic.
	if again := d.Check(r, term); !reflect.DeepEqual(got, again) {
		t.Errorf("checked twice: %+v and %+v", got, again)
	}
}

func TestQuestions(t *testing.T) {
	for _, tc := range []struct {
		oblige, question string
		checks           []check
	}{
		{"service_brakes: {required: true}", "service_brakes.required", []check{
			{"{trailer: {brakes: {kind: overrun}}}", want{status: Met, summary: "The trailer has service brakes."}},
			{"{trailer: {brakes: {kind: none}}}", want{status: NotMet, summary: "The trailer has no service brakes.", remedy: "Fit service brakes of a permitted kind."}},
			{"{trailer: {brakes: {braked_axles: 1}}}", want{status: Unknown, summary: "It is not known whether", needs: []string{"/trailer/brakes/kind"}}},
		}},
		{"service_brakes: {kinds: [electric, electric_hydraulic]}", "service_brakes.kinds", []check{
			{"{trailer: {brakes: {kind: electric_hydraulic}}}", want{status: Met, summary: "Brake kind electric hydraulic is permitted.", limit: "electric, electric hydraulic"}},
			{"{trailer: {brakes: {kind: overrun}}}", want{
				status: NotMet, summary: "Brake kind overrun is not among those permitted: electric, electric hydraulic.",
				limit: "electric, electric hydraulic", remedy: "Change to one of electric, electric hydraulic.",
			}},
			// Whether brakes are required is another question.
			{"{trailer: {brakes: {kind: none}}}", want{status: NotApplicable, summary: "The trailer has no service brakes to judge."}},
			{"{}", want{status: Unknown, needs: []string{"/trailer/brakes/kind"}}},
		}},
		{"service_brakes: {wheels: all}", "service_brakes.wheels", []check{
			{"{trailer: {axle_count: 2, brakes: {kind: air, braked_axles: 2}}}", want{status: Met, summary: "2 of 2 axles", limit: "2 axles"}},
			{"{trailer: {axle_count: 2, brakes: {kind: air, axle_positions: [1, 2]}}}", want{status: Met, summary: "2 of 2 axles", limit: "2 axles"}},
			{"{trailer: {axle_count: 2, brakes: {kind: air, braked_axles: 1}}}", want{status: NotMet, summary: "only 1 of 2 axles are", limit: "2 axles", remedy: "Fit brakes to the wheels of every axle."}},
			{"{trailer: {brakes: {kind: air, braked_axles: 2}}}", want{status: Unknown, needs: []string{"/trailer/axle_count"}}},
			{"{trailer: {axle_count: 2, brakes: {kind: air}}}", want{status: Unknown, needs: []string{"/trailer/brakes/braked_axles"}}},
			{"{trailer: {axle_count: 2, brakes: {braked_axles: 2}}}", want{status: Unknown, needs: []string{"/trailer/brakes/kind"}}},
			{"{trailer: {axle_count: 2, brakes: {kind: none, braked_axles: 0}}}", want{status: NotApplicable, summary: "no service brakes"}},
		}},
		{"service_brakes: {wheels: half}", "service_brakes.wheels", []check{
			{"{trailer: {axle_count: 2, brakes: {kind: air, braked_axles: 1}}}", want{status: Met, summary: "1 of 2 axles"}},
			{"{trailer: {axle_count: 3, brakes: {kind: air, braked_axles: 2}}}", want{status: Met, summary: "2 of 3 axles"}},
			{"{trailer: {axle_count: 3, brakes: {kind: air, braked_axles: 1}}}", want{status: NotMet, summary: "1 of 3 axles", remedy: "Fit brakes to more axles."}},
			{"{trailer: {axle_count: 3, brakes: {kind: air}}}", want{status: Unknown, needs: []string{"/trailer/brakes/braked_axles"}}},
			{"{trailer: {brakes: {kind: none}}}", want{status: NotApplicable, summary: "no service brakes"}},
		}},
		{"service_brakes: {wheels: rear_axle}", "service_brakes.wheels", []check{
			{"{trailer: {axle_count: 2, brakes: {kind: air, axle_positions: [2]}}}", want{status: Met, summary: "The rear axle is braked."}},
			{"{trailer: {axle_count: 2, brakes: {kind: air, axle_positions: [1]}}}", want{status: NotMet, summary: "The rear axle is not braked.", remedy: "Fit brakes to both wheels of the rear axle."}},
			// One braked axle of two may be either.
			{"{trailer: {axle_count: 2, brakes: {kind: air, braked_axles: 1}}}", want{status: Unknown, needs: []string{"/trailer/brakes/axle_positions"}}},
			{"{trailer: {axle_count: 2, brakes: {kind: air, braked_axles: 2}}}", want{status: Met, summary: "The rear axle is braked."}},
			{"{trailer: {brakes: {kind: none}}}", want{status: NotApplicable, summary: "no service brakes"}},
		}},
		{"service_brakes: {wheels: one_axle}", "service_brakes.wheels", []check{
			{"{trailer: {brakes: {kind: air, braked_axles: 1}}}", want{status: Met, summary: "Braked axles: 1"}},
			{"{trailer: {brakes: {kind: air, braked_axles: 0}}}", want{status: NotMet, summary: "Braked axles: 0", remedy: "Fit brakes to the wheels of one axle."}},
			{"{trailer: {axle_count: 1, brakes: {kind: air}}}", want{status: Unknown, needs: []string{"/trailer/brakes/braked_axles"}}},
			{"{trailer: {brakes: {kind: none}}}", want{status: NotApplicable, summary: "no service brakes"}},
		}},
		{"service_brakes: {operable_from_cab: true}", "service_brakes.operable_from_cab", []check{
			{"{trailer: {brakes: {kind: electric, operable_from_cab: true}}}", want{status: Met, summary: "from the seat."}},
			{"{trailer: {brakes: {kind: electric, operable_from_cab: false}}}", want{
				status: NotMet, summary: "cannot work", remedy: "Fit brakes that the driver controls from the driving seat, with the control mounted there.",
			}},
			{"{trailer: {brakes: {kind: electric}}}", want{status: Unknown, summary: "whether the driver can", needs: []string{"/trailer/brakes/operable_from_cab"}}},
			{"{trailer: {brakes: {operable_from_cab: false}}}", want{status: Unknown, needs: []string{"/trailer/brakes/kind"}}},
			{"{trailer: {brakes: {kind: none}}}", want{status: NotApplicable, summary: "no service brakes"}},
		}},
		{"service_brakes: {auto_reverse: true}", "service_brakes.auto_reverse", []check{
			{"{trailer: {brakes: {kind: overrun, auto_reverse: true}}}", want{status: Met, summary: "can be reversed"}},
			{"{trailer: {brakes: {kind: overrun, auto_reverse: false}}}", want{status: NotMet, summary: "hinders reversing", remedy: "Fit brakes with automatic reversing."}},
			{"{trailer: {brakes: {kind: overrun}}}", want{status: Unknown, needs: []string{"/trailer/brakes/auto_reverse"}}},
			{"{trailer: {brakes: {kind: none}}}", want{status: NotApplicable, summary: "no service brakes"}},
		}},
		{"breakaway: {required: true}", "breakaway.required", []check{
			{"{trailer: {breakaway: {kind: automatic}}}", want{status: Met, summary: "There is an automatic breakaway for separation."}},
			{"{trailer: {breakaway: {kind: secondary_coupling}}}", want{status: Met, summary: "There is a secondary coupling for separation."}},
			{"{trailer: {breakaway: {kind: none}}}", want{status: NotMet, summary: "Nothing acts", remedy: "Fit an automatic breakaway or a secondary coupling."}},
			{"{parts: [{role: chain}]}", want{status: Unknown, needs: []string{"/trailer/breakaway/kind"}}},
		}},
		{"breakaway: {any_of: [automatic]}", "breakaway.required", []check{
			{"{trailer: {breakaway: {kind: none}}}", want{status: NotMet, summary: "Nothing acts", remedy: "Fit an automatic breakaway."}},
			// There is something; that it is the wrong kind is the other finding.
			{"{trailer: {breakaway: {kind: secondary_coupling}}}", want{status: Met, summary: "a secondary coupling"}},
		}},
		{"breakaway: {any_of: [automatic]}", "breakaway.any_of", []check{
			{"{trailer: {breakaway: {kind: automatic}}}", want{status: Met, summary: "Breakaway automatic is permitted", limit: "automatic"}},
			{"{trailer: {breakaway: {kind: secondary_coupling}}}", want{status: NotMet, summary: "secondary coupling is not among", limit: "automatic", remedy: "Fit an automatic breakaway."}},
			{"{}", want{status: Unknown, summary: "permitted: automatic", needs: []string{"/trailer/breakaway/kind"}}},
		}},
		{"breakaway: {hold: 15 min}", "breakaway.hold", []check{
			{"{trailer: {breakaway: {kind: automatic, hold: 15 min}}}", want{status: Met, summary: "The time the breakaway brake holds 15 min reaches 15 min, exactly.", limit: "15 min", margin: "0 min"}},
			{"{trailer: {breakaway: {kind: automatic, hold: 900 s}}}", want{status: Met, summary: "900 s (15 min)", limit: "15 min", margin: "0 min"}},
			{"{trailer: {breakaway: {kind: automatic, hold: 899.999 s}}}", want{
				status: NotMet, summary: "is under 15 min", limit: "15 min", margin: "about -0.0000166667 min",
				remedy: "Bring the breakaway supply up to 15 min and prove it by test.",
			}},
			{"{trailer: {breakaway: {kind: automatic, hold: 20 min}}}", want{status: Met, summary: "by 5 min", limit: "15 min", margin: "5 min"}},
			{"{trailer: {breakaway: {kind: automatic}}}", want{status: Unknown, summary: "the limit is 15 min", needs: []string{"/trailer/breakaway/hold"}}},
			{"{trailer: {breakaway: {hold: 20 min}}}", want{status: Unknown, needs: []string{"/trailer/breakaway/kind"}}},
			{"{trailer: {breakaway: {kind: secondary_coupling}}}", want{status: NotApplicable, summary: "no automatic breakaway"}},
			{"{trailer: {breakaway: {kind: none}}}", want{status: NotApplicable, summary: "no automatic breakaway"}},
		}},
		{"breakaway: {holds_grade: 12 %}", "breakaway.holds_grade", []check{
			{"{trailer: {breakaway: {kind: automatic, holds_grade: 12 %}}}", want{status: Met, summary: "exactly", limit: "12 %", margin: "0 %"}},
			{"{trailer: {breakaway: {kind: automatic, holds_grade: 11.9 %}}}", want{status: NotMet, summary: "by 0.1 %", limit: "12 %", margin: "-0.1 %", remedy: "Prove that the breakaway brake holds the trailer on 12 %."}},
			{"{trailer: {breakaway: {kind: automatic}}}", want{status: Unknown, needs: []string{"/trailer/breakaway/holds_grade"}}},
			{"{trailer: {breakaway: {kind: none}}}", want{status: NotApplicable, summary: "no automatic breakaway"}},
		}},
		{"breakaway: {battery_indicator: true}", "breakaway.battery_indicator", []check{
			{"{trailer: {breakaway: {kind: automatic, battery_indicator: true}}}", want{status: Met, summary: "shows its state"}},
			{"{trailer: {breakaway: {kind: automatic, battery_indicator: false}}}", want{status: NotMet, summary: "does not show", remedy: "Fit a warning or display for the breakaway battery at the driver's seat."}},
			{"{trailer: {breakaway: {kind: automatic}}}", want{status: Unknown, needs: []string{"/trailer/breakaway/battery_indicator"}}},
			{"{trailer: {breakaway: {kind: secondary_coupling}}}", want{status: NotApplicable, summary: "no automatic breakaway"}},
		}},
		{"breakaway: {charged_from_vehicle: true}", "breakaway.charged_from_vehicle", []check{
			{"{trailer: {breakaway: {kind: automatic, charged_from_vehicle: true}}}", want{status: Met, summary: "keeps the breakaway battery charged"}},
			{"{trailer: {breakaway: {kind: automatic, charged_from_vehicle: false}}}", want{status: NotMet, summary: "does not charge", remedy: "Give the breakaway battery a charge feed from the towing vehicle."}},
			{"{trailer: {breakaway: {kind: automatic}}}", want{status: Unknown, needs: []string{"/trailer/breakaway/charged_from_vehicle"}}},
			{"{trailer: {breakaway: {kind: none}}}", want{status: NotApplicable, summary: "no automatic breakaway"}},
		}},
		{"parking_brake: {required: true}", "parking_brake.required", []check{
			{"{trailer: {parking_brake: true}}", want{status: Met, summary: "has a parking brake"}},
			{"{trailer: {parking_brake: false}}", want{status: NotMet, summary: "has no parking brake", remedy: "Fit a parking brake."}},
			{"{}", want{status: Unknown, needs: []string{"/trailer/parking_brake"}}},
		}},
		{"parking_brake: {holds_grade: 18 %}", "parking_brake.holds_grade", []check{
			{"{trailer: {parking_brake: true, parking_brake_grade: 18 %}}", want{status: Met, summary: "exactly", limit: "18 %", margin: "0 %"}},
			{"{trailer: {parking_brake: true, parking_brake_grade: 17.9999999 %}}", want{
				status: NotMet, summary: "is under 18 %", limit: "18 %", margin: "about -0.0000001 %",
				remedy: "Prove that the parking brake holds the laden trailer on 18 %.",
			}},
			{"{trailer: {parking_brake: true}}", want{status: Unknown, needs: []string{"/trailer/parking_brake_grade"}}},
			{"{trailer: {parking_brake_grade: 20 %}}", want{status: Unknown, needs: []string{"/trailer/parking_brake"}}},
			{"{trailer: {parking_brake: false}}", want{status: NotApplicable, summary: "There is no parking brake to judge."}},
		}},
		{"safety_chains: {required: true}", "safety_chains.required", []check{
			{"{parts: [{role: chain}]}", want{status: Met, summary: "One safety chain or cable is asked, 1 fitted.", limit: "1", margin: "0"}},
			{"{parts: [{role: cable}]}", want{status: Met, summary: "1 fitted", limit: "1", margin: "0"}},
			{"{parts: [{role: chain, count: 0}]}", want{status: NotMet, summary: "0 fitted", limit: "1", margin: "-1", remedy: "Fit one safety chain or cable of the strength asked."}},
			// Other parts say nothing of chains, nor does an empty list.
			{"{parts: [{role: ball}]}", want{status: Unknown, summary: "the parts name none", limit: "1", needs: []string{"/parts/-"}}},
			{"{parts: []}", want{status: Unknown, limit: "1", needs: []string{"/parts/-"}}},
			{"{}", want{status: Unknown, limit: "1", needs: []string{"/parts/-"}}},
		}},
		{"safety_chains: {count: 2}", "safety_chains.count", []check{
			{"{parts: [{role: chain, count: 2}]}", want{status: Met, summary: "2 safety chains or cables are asked, 2 fitted.", limit: "2", margin: "0"}},
			{"{parts: [{role: chain}, {role: ball}, {role: chain}]}", want{status: Met, summary: "2 fitted", limit: "2", margin: "0"}},
			{"{parts: [{role: chain}, {role: cable, count: 2}]}", want{status: Met, summary: "3 fitted", limit: "2", margin: "1"}},
			{"{parts: [{role: chain}, {role: cable, count: 0}]}", want{status: NotMet, summary: "1 fitted", limit: "2", margin: "-1", remedy: "Fit 2 safety chains or cables of the strength asked."}},
			{"{parts: [{role: shackle, count: 2}]}", want{status: Unknown, limit: "2", needs: []string{"/parts/-"}}},
		}},
		{"safety_chains: {each_rated: trailer.rated.total}", "safety_chains.each_rated", []check{
			{"{trailer: {rated: {total: 2500 kg}}, parts: [{role: chain, count: 2, rated_mass: 2500 kg}]}", want{status: Met, summary: "The rated mass of each chain 2500 kg reaches 2500 kg (trailer.rated.total), exactly.", limit: "2500 kg", margin: "0 kg"}},
			{"{trailer: {rated: {total: 2500 kg}}, parts: [{role: chain, rated_mass: 2499.999 kg}]}", want{status: NotMet, summary: "by 0.001 kg", limit: "2500 kg", margin: "-0.001 kg", remedy: "Fit chains each marked for at least 2500 kg."}},
			// 3000 lb is 1360.77711 kg exactly (international pound, 1959).
			{"{trailer: {rated: {total: 3000 lb}}, parts: [{role: chain, rated_mass: 1360.77711 kg}]}", want{status: Met, summary: "1360.77711 kg (3000 lb) reaches 3000 lb", limit: "3000 lb", margin: "0 lb"}},
			{"{trailer: {rated: {total: 3000 lb}}, parts: [{role: chain, rated_mass: 1360.7771 kg}]}", want{status: NotMet, summary: "is under 3000 lb", limit: "3000 lb", margin: "about -0.0000220462 lb", remedy: "Fit chains each marked for at least 3000 lb."}},
			// The weakest decides, in whichever entry it is.
			{"{trailer: {rated: {total: 2 t}}, parts: [{role: chain, rated_mass: 3 t}, {role: cable, rated_mass: 1 t}]}", want{status: NotMet, summary: "1 t is under 2 t", limit: "2 t", margin: "-1 t", remedy: "Fit chains each marked for at least 2 t."}},
			// One is too weak whatever the other turns out to be.
			{"{trailer: {rated: {total: 2 t}}, parts: [{role: chain}, {role: chain, rated_mass: 1 t}]}", want{
				status: NotMet, summary: "1 t is under", limit: "2 t", margin: "-1 t", remedy: "Fit chains each marked for at least 2 t.", needs: []string{"/parts/0/rated_mass"},
			}},
			{"{trailer: {rated: {total: 2 t}}, parts: [{role: chain, rated_mass: 2 t}, {role: chain}]}", want{status: Unknown, needs: []string{"/parts/1/rated_mass"}}},
			// A chain that is not there has no strength to ask for.
			{"{trailer: {rated: {total: 2 t}}, parts: [{role: chain, rated_mass: 2 t}, {role: cable, count: 0}]}", want{status: Met, summary: "exactly", limit: "2 t", margin: "0 t"}},
			{"{parts: [{role: chain, rated_mass: 2 t}]}", want{status: Unknown, summary: "cannot be compared with trailer.rated.total", needs: []string{"/trailer/rated/total"}}},
			{"{trailer: {rated: {total: 2 t}}}", want{status: Unknown, needs: []string{"/parts/-"}}},
			{"{}", want{status: Unknown, needs: []string{"/trailer/rated/total", "/parts/-"}}},
			{"{parts: [{role: chain, count: 0}]}", want{status: NotApplicable, summary: "There is no safety chain to judge."}},
		}},
		// Standard gravity is 9.80665 m/s2 (third CGPM, 1901): 5000 kg weigh
		// 49.03325 kN exactly, and 50 kN hold 5098.58 kg.
		{"safety_chains: {each_breaking: kg(5000)}", "safety_chains.each_breaking", []check{
			{"{parts: [{role: chain, breaking_force: 49.03325 kN}]}", want{status: Met, summary: "5000 kg reaches 5000 kg, exactly", limit: "5000 kg", margin: "0 kg"}},
			{"{parts: [{role: chain, breaking_force: 49033.249 N}]}", want{status: NotMet, summary: "is under 5000 kg", limit: "5000 kg", margin: "about -0.000101972 kg", remedy: "Fit chains each marked for at least 5000 kg."}},
			{"{parts: [{role: chain, breaking_force: 49033.251 N}]}", want{status: Met, summary: "reaches 5000 kg", limit: "5000 kg", margin: "about 0.000101972 kg"}},
			{"{parts: [{role: chain, breaking_force: 50 kN}]}", want{status: Met, summary: "about 5098.58 kg reaches 5000 kg, by about 98.5811 kg", limit: "5000 kg", margin: "about 98.5811 kg"}},
			{"{parts: [{role: chain, breaking_mass: 5 t}]}", want{status: Met, summary: "5 t (5000 kg)", limit: "5000 kg", margin: "0 kg"}},
			{"{parts: [{role: chain, breaking_mass: 4999.999 kg}]}", want{status: NotMet, summary: "by 0.001 kg", limit: "5000 kg", margin: "-0.001 kg", remedy: "Fit chains each marked for at least 5000 kg."}},
			{"{parts: [{role: cable, breaking_mass: 6 t}, {role: chain, breaking_force: 40 kN}]}", want{status: NotMet, summary: "is under 5000 kg", limit: "5000 kg", margin: "about -921.135 kg", remedy: "Fit chains each marked for at least 5000 kg."}},
			// A working rating is no breaking strength.
			{"{parts: [{role: chain, rated_mass: 9 t}]}", want{status: Unknown, needs: []string{"/parts/0/breaking_mass"}}},
			{"{parts: [{role: chain, count: 0}]}", want{status: NotApplicable, summary: "no safety chain"}},
		}},
		// A pound-force is the pound under standard gravity.
		{"safety_chains: {each_breaking: lb(5000)}", "safety_chains.each_breaking", []check{
			{"{parts: [{role: chain, breaking_force: 5000 lbf}]}", want{status: Met, summary: "(5000 lb) reaches 5000 lb, exactly", limit: "5000 lb", margin: "0 lb"}},
			{"{parts: [{role: chain, breaking_force: 4999 lbf}]}", want{status: NotMet, summary: "by 1 lb", limit: "5000 lb", margin: "-1 lb", remedy: "Fit chains each marked for at least 5000 lb."}},
		}},
		{"safety_chains: {each_breaking_over: kg(5000)}", "safety_chains.each_breaking_over", []check{
			{"{parts: [{role: chain, breaking_force: 49.03325 kN}]}", want{status: NotMet, summary: "is not over 5000 kg, exactly", limit: "5000 kg", margin: "0 kg", remedy: "Fit chains each marked for at least 5000 kg."}},
			{"{parts: [{role: chain, breaking_mass: 5000.001 kg}]}", want{status: Met, summary: "is over 5000 kg, by 0.001 kg", limit: "5000 kg", margin: "0.001 kg"}},
			{"{parts: [{role: chain, breaking_mass: 5000 kg}, {role: chain}]}", want{
				status: NotMet, summary: "is not over", limit: "5000 kg", margin: "0 kg", remedy: "Fit chains each marked for at least 5000 kg.", needs: []string{"/parts/1/breaking_mass"},
			}},
			{"{}", want{status: Unknown, needs: []string{"/parts/-"}}},
		}},
		{"safety_chains: {together_breaking: kg(5000)}", "safety_chains.together_breaking", []check{
			{"{parts: [{role: chain, count: 2, breaking_mass: 2500 kg}]}", want{status: Met, summary: "The breaking strength of the chains together 5000 kg reaches 5000 kg, exactly.", limit: "5000 kg", margin: "0 kg"}},
			{"{parts: [{role: chain, count: 2, breaking_mass: 2499.999 kg}]}", want{status: NotMet, summary: "by 0.002 kg", limit: "5000 kg", margin: "-0.002 kg", remedy: "Fit chains that together hold at least 5000 kg."}},
			// Each force alone is no whole number of base units of mass; their
			// sum is 5000 kg exactly and must not be lost in rounding.
			{"{parts: [{role: chain, breaking_force: 20 kN}, {role: cable, breaking_force: 29.03325 kN}]}", want{status: Met, summary: "exactly", limit: "5000 kg", margin: "0 kg"}},
			{"{parts: [{role: chain, count: 2, breaking_force: 24.516625 kN}]}", want{status: Met, summary: "exactly", limit: "5000 kg", margin: "0 kg"}},
			{"{parts: [{role: chain, breaking_mass: 5 t}, {role: chain}]}", want{status: Met, summary: "reaches", limit: "5000 kg", margin: "0 kg"}}, // enough is enough
			{"{parts: [{role: chain, breaking_mass: 4 t}, {role: chain}]}", want{status: Unknown, needs: []string{"/parts/1/breaking_mass"}}},
			{"{parts: [{role: chain, breaking_mass: 4 t}, {role: chain, count: 0}]}", want{status: NotMet, summary: "by 1000 kg", limit: "5000 kg", margin: "-1000 kg", remedy: "Fit chains that together hold at least 5000 kg."}},
			// The most that a document can hold is beyond 64 bits of base units.
			{"{parts: [" + strings.Repeat("{role: chain, count: 100, breaking_mass: 100 t}, ", 63) + "{role: chain, count: 100, breaking_mass: 100 t}]}", want{status: Met, summary: "reaches", limit: "5000 kg", margin: "about 92228700 kg"}},
			{"{parts: [{role: chain, count: 0}]}", want{status: NotApplicable, summary: "no safety chain"}},
			{"{}", want{status: Unknown, needs: []string{"/parts/-"}}},
		}},
		{"safety_chains: {size: 7.1 mm}", "safety_chains.size", []check{
			{"{parts: [{role: chain, size: 7.1 mm}]}", want{status: Met, summary: "exactly", limit: "7.1 mm", margin: "0 mm"}},
			{"{parts: [{role: chain, size: 7.09 mm}]}", want{status: NotMet, summary: "by 0.01 mm", limit: "7.1 mm", margin: "-0.01 mm", remedy: "Fit chains with links of at least 7.1 mm."}},
			{"{parts: [{role: chain, size: 8 mm}, {role: chain, size: 7 mm}]}", want{status: NotMet, summary: "7 mm is under", limit: "7.1 mm", margin: "-0.1 mm", remedy: "Fit chains with links of at least 7.1 mm."}},
			{"{parts: [{role: chain}, {role: chain, size: 7 mm}]}", want{status: NotMet, summary: "7 mm is under", limit: "7.1 mm", margin: "-0.1 mm", remedy: "Fit chains with links of at least 7.1 mm.", needs: []string{"/parts/0/size"}}},
			{"{parts: [{role: chain, size: 8 mm}, {role: chain}]}", want{status: Unknown, needs: []string{"/parts/1/size"}}},
			{"{parts: [{role: chain, size: 8 mm}, {role: cable}]}", want{status: Met, summary: "by 0.9 mm", limit: "7.1 mm", margin: "0.9 mm"}},
			{"{parts: [{role: cable, size: 5 mm}]}", want{status: NotApplicable, summary: "no chain whose links"}}, // a cable has no links
			{"{parts: [{role: chain, count: 0}]}", want{status: NotApplicable, summary: "no safety chain"}},
			{"{}", want{status: Unknown, needs: []string{"/parts/-"}}},
		}},
		{"safety_chains: {crossed: true}", "safety_chains.crossed", []check{
			{"{trailer: {chains_crossed: true}}", want{status: Met, summary: "cross under the coupling"}},
			{"{trailer: {chains_crossed: false}}", want{status: NotMet, summary: "do not cross", remedy: "Cross the chains under the coupling."}},
			{"{}", want{status: Unknown, needs: []string{"/trailer/chains_crossed"}}},
		}},
		{"coupling: {quick_release: true}", "coupling.quick_release", flagChecks("trailer", "coupling", "quick_release", "Fit a quick-release coupling.")},
		{"coupling: {positive_lock: true}", "coupling.positive_lock", flagChecks("trailer", "coupling", "positive_lock", "Fit a coupling with a positive lock.")},
		{"coupling: {secondary_lock: true}", "coupling.secondary_lock", flagChecks("trailer", "coupling", "secondary_lock", "Fit a coupling with an independent second lock.")},
		{"coupling: {marked: true}", "coupling.marked", flagChecks("trailer", "coupling", "marked", "Fit a coupling that carries its maker's mark and rating.")},
		{"part_rating: {roles: [towbar, coupling], at_least: trailer.rated.axles}", "part_rating.coupling", []check{
			{"{trailer: {rated: {axles: 2 t}}, parts: [{role: coupling, rated_mass: 2000 kg}]}", want{status: Met, summary: "The rated mass of the coupling 2000 kg (2 t) reaches 2 t (GTM), exactly.", limit: "2 t", margin: "0 t"}},
			{"{trailer: {rated: {axles: 2 t}}, parts: [{role: coupling, rated_mass: 1999.999 kg}]}", want{status: NotMet, summary: "is under 2 t (GTM), by 0.000001 t", limit: "2 t", margin: "-0.000001 t", remedy: "Fit a coupling rated for at least 2 t."}},
			{"{trailer: {rated: {axles: 2 t}}, parts: [{role: coupling, rated_mass: 3 t}, {role: coupling, rated_mass: 1 t}]}", want{status: NotMet, summary: "1 t is under", limit: "2 t", margin: "-1 t", remedy: "Fit a coupling rated for at least 2 t."}},
			{"{trailer: {rated: {axles: 2 t}}, parts: [{role: coupling}, {role: coupling, rated_mass: 1 t}]}", want{
				status: NotMet, summary: "1 t is under", limit: "2 t", margin: "-1 t", remedy: "Fit a coupling rated for at least 2 t.", needs: []string{"/parts/0/rated_mass"},
			}},
			{"{trailer: {rated: {axles: 2 t}}, parts: [{role: towbar, rated_mass: 3 t}, {role: coupling}]}", want{status: Unknown, needs: []string{"/parts/1/rated_mass"}}},
			{"{trailer: {rated: {axles: 2 t}}, parts: [{role: towbar, rated_mass: 3 t}]}", want{status: Unknown, needs: []string{"/parts/-"}}},
			{"{trailer: {rated: {total: 2 t}}, parts: [{role: coupling, rated_mass: 3 t}]}", want{status: Unknown, summary: "compared with GTM", needs: []string{"/trailer/rated/axles"}}}, // the total is not what the axles carry
			{"{}", want{status: Unknown, needs: []string{"/trailer/rated/axles", "/parts/-"}}},
			// Listed as not there: whether it must be is another question.
			{"{trailer: {rated: {axles: 2 t}}, parts: [{role: coupling, count: 0}]}", want{status: NotApplicable, summary: "There is no coupling to judge."}},
			{"{trailer: {rated: {axles: 2 t}}, parts: [{role: coupling, count: 0, rated_mass: 1 t}, {role: coupling, rated_mass: 2 t}]}", want{status: Met, summary: "exactly", limit: "2 t", margin: "0 t"}},
		}},
		{"mass_limit: {of: trailer.laden.total, at_most: trailer.rated.total}", "mass_limit.at_most", []check{
			{"{trailer: {laden: {total: 2000 kg}, rated: {total: 2000 kg}}}", want{status: Met, summary: "Trailer.laden.total 2000 kg is within 2000 kg (trailer.rated.total), exactly.", limit: "2000 kg", margin: "0 kg"}},
			{"{trailer: {laden: {total: 2000.001 kg}, rated: {total: 2000 kg}}}", want{
				status: NotMet, summary: "is over 2000 kg (trailer.rated.total), by 0.001 kg", limit: "2000 kg", margin: "-0.001 kg",
				remedy: "Bring trailer.laden.total down to 2000 kg, or change the part or vehicle that sets the limit.",
			}},
			{"{trailer: {laden: {axles: 1800 kg, ball: 100 kg}, rated: {total: 2 t}}}", want{status: Met, summary: "1900 kg (1.9 t)", limit: "2 t", margin: "0.1 t"}},
			// Plates in pounds are answered in pounds.
			{"{trailer: {laden: {total: 3000.001 lb}, rated: {total: 3000 lb}}}", want{
				status: NotMet, summary: "by 0.001 lb", limit: "3000 lb", margin: "-0.001 lb",
				remedy: "Bring trailer.laden.total down to 3000 lb, or change the part or vehicle that sets the limit.",
			}},
			{"{trailer: {rated: {total: 2 t}}}", want{status: Unknown, needs: []string{"/trailer/laden/total"}}},
			{"{trailer: {laden: {total: 2 t}}}", want{status: Unknown, needs: []string{"/trailer/rated/total"}}},
			{"{}", want{status: Unknown, needs: []string{"/trailer/laden/total", "/trailer/rated/total"}}},
		}},
		{"mass_limit: {of: trailer.laden.total, less_than: kg(750)}", "mass_limit.less_than", []check{
			{"{trailer: {laden: {total: 749.999 kg}}}", want{status: Met, summary: "is under 750 kg, by 0.001 kg", limit: "750 kg", margin: "0.001 kg"}},
			{"{trailer: {laden: {total: 750 kg}}}", want{
				status: NotMet, summary: "is not under 750 kg, exactly", limit: "750 kg", margin: "0 kg",
				remedy: "Bring trailer.laden.total down to 750 kg, or change the part or vehicle that sets the limit.",
			}},
			{"{}", want{status: Unknown, needs: []string{"/trailer/laden/total"}}},
		}},
		{"mass_limit: {of: vehicle.unladen, at_least: kg(1500)}", "mass_limit.at_least", []check{
			{"{vehicle: {unladen: 1500 kg}}", want{status: Met, summary: "reaches 1500 kg, exactly", limit: "1500 kg", margin: "0 kg"}},
			{"{vehicle: {unladen: 1499.999 kg}}", want{status: NotMet, summary: "is under 1500 kg, by 0.001 kg", limit: "1500 kg", margin: "-0.001 kg", remedy: "Bring vehicle.unladen up to 1500 kg."}},
			{"{vehicle: {kerb: 1600 kg}}", want{status: Unknown, needs: []string{"/vehicle/unladen"}}}, // kerb mass is not unladen mass
		}},
		{"mass_limit: {of: vehicle.unladen, more_than: kg(1500)}", "mass_limit.more_than", []check{
			{"{vehicle: {unladen: 1500.001 kg}}", want{status: Met, summary: "is over 1500 kg, by 0.001 kg", limit: "1500 kg", margin: "0.001 kg"}},
			{"{vehicle: {unladen: 1500 kg}}", want{status: NotMet, summary: "is not over 1500 kg, exactly", limit: "1500 kg", margin: "0 kg", remedy: "Bring vehicle.unladen up to 1500 kg."}},
			{"{}", want{status: Unknown, needs: []string{"/vehicle/unladen"}}},
		}},
		{"mass_ratio: {of: trailer.laden.total, at_most: 1.5 * vehicle.unladen}", "mass_ratio.at_most", []check{
			{"{trailer: {laden: {total: 2250 kg}}, vehicle: {unladen: 1500 kg}}", want{status: Met, summary: "2250 kg (1.5 x vehicle.unladen), exactly", limit: "2250 kg", margin: "0 kg"}},
			{"{trailer: {laden: {total: 2250.001 kg}}, vehicle: {unladen: 1500 kg}}", want{
				status: NotMet, summary: "by 0.001 kg", limit: "2250 kg", margin: "-0.001 kg",
				remedy: "Bring trailer.laden.total down to 2250 kg, or change the part or vehicle that sets the limit.",
			}},
			// Three halves of an odd count of base units fall between two of them.
			{"{trailer: {laden: {total: 1.50000000001 kg}}, vehicle: {unladen: 1.00000000001 kg}}", want{status: Met, summary: "is within", limit: "about 1.5 kg", margin: "about 0.00000000001 kg"}},
			{"{trailer: {laden: {total: 2 t}}}", want{status: Unknown, summary: "its limit, 1.5 x vehicle.unladen", needs: []string{"/vehicle/unladen"}}},
		}},
		{"mass_ratio: {of: trailer.laden.total, less_than: 0.5 * vehicle.kerb}", "mass_ratio.less_than", []check{
			{"{trailer: {laden: {total: 1000 lb}}, vehicle: {kerb: 2000 lb}}", want{
				status: NotMet, summary: "is not under 1000 lb", limit: "1000 lb", margin: "0 lb",
				remedy: "Bring trailer.laden.total down to 1000 lb, or change the part or vehicle that sets the limit.",
			}},
			{"{trailer: {laden: {total: 999 lb}}, vehicle: {kerb: 2000 lb}}", want{status: Met, summary: "by 1 lb", limit: "1000 lb", margin: "1 lb"}},
		}},
		{"mass_ratio: {of: vehicle.laden.total, at_least: trailer.laden.total}", "mass_ratio.at_least", []check{
			{"{trailer: {laden: {total: 2 t}}, vehicle: {laden: {axles: [1 t, 1 t]}}}", want{status: Met, summary: "exactly", limit: "2 t", margin: "0 t"}},
			{"{trailer: {laden: {total: 2 t}}, vehicle: {laden: {axles: [1 t, 0.999 t]}}}", want{status: NotMet, summary: "by 0.001 t", limit: "2 t", margin: "-0.001 t", remedy: "Bring vehicle.laden.total up to 2 t."}},
		}},
		{"mass_ratio: {of: vehicle.laden.total, more_than: trailer.laden.total}", "mass_ratio.more_than", []check{
			{"{trailer: {laden: {total: 2 t}}, vehicle: {laden: {total: 2 t}}}", want{status: NotMet, summary: "is not over", limit: "2 t", margin: "0 t", remedy: "Bring vehicle.laden.total up to 2 t."}},
			{"{trailer: {laden: {total: 2 t}}, vehicle: {laden: {total: 2.001 t}}}", want{status: Met, summary: "by 0.001 t", limit: "2 t", margin: "0.001 t"}},
		}},
		// The lesser of two plates in pounds is in pounds.
		{"mass_limit: {of: trailer.laden.total, at_most: 'min(vehicle.towing.braked, trailer.rated.total)'}", "mass_limit.at_most", []check{
			{"{trailer: {laden: {total: 5000 lb}, rated: {total: 6000 lb}}, vehicle: {towing: {braked: 5000 lb}}}", want{
				status: Met, summary: "is within 5000 lb (lesser of vehicle.towing.braked and trailer.rated.total), exactly", limit: "5000 lb", margin: "0 lb",
			}},
			{"{trailer: {laden: {total: 5000 lb}, rated: {total: 6000 lb}}}", want{status: Unknown, needs: []string{"/vehicle/towing/braked"}}},
		}},
		{"mass_limit: {of: trailer.laden.total, at_most: vehicle.towing.limit}", "mass_limit.at_most", []check{
			{"{trailer: {laden: {total: 750 kg}, brakes: {kind: none}}, vehicle: {towing: {braked: 2 t, unbraked: 750 kg}}}", want{status: Met, summary: "exactly", limit: "750 kg", margin: "0 kg"}},
			{"{trailer: {laden: {total: 750 kg}}, vehicle: {towing: {braked: 2 t, unbraked: 750 kg}}}", want{status: Unknown, needs: []string{"/trailer/brakes/kind"}}},
			{"{trailer: {laden: {total: 750 kg}, brakes: {kind: air}}, vehicle: {towing: {unbraked: 750 kg}}}", want{status: Unknown, needs: []string{"/vehicle/towing/braked"}}},
		}},
		// Two figures that rest on one field ask for it once.
		{"mass_limit: {of: combination.laden.total, at_most: trailer.laden.total + vehicle.laden.total}", "mass_limit.at_most", []check{
			{"{}", want{status: Unknown, needs: []string{"/vehicle/laden/total", "/trailer/laden/total"}}},
		}},
		{"ball_load: {at_least: 0.04 * trailer.laden.total}", "ball_load.at_least", []check{
			{"{trailer: {laden: {total: 2000 kg, ball: 80 kg}}}", want{status: Met, summary: "The load on the coupling 80 kg reaches 80 kg (0.04 x trailer.laden.total), exactly.", limit: "80 kg", margin: "0 kg"}},
			{"{trailer: {laden: {total: 2000 kg, ball: 79.999 kg}}}", want{status: NotMet, summary: "by 0.001 kg", limit: "80 kg", margin: "-0.001 kg", remedy: "Move load forward in the trailer."}},
			{"{trailer: {laden: {total: 2000 kg}}}", want{status: Unknown, needs: []string{"/trailer/laden/ball"}}},
			{"{trailer: {laden: {ball: 80 kg}}}", want{status: Unknown, needs: []string{"/trailer/laden/total"}}},
		}},
		{"ball_load: {at_most: vehicle.towing.ball}", "ball_load.at_most", []check{
			{"{trailer: {laden: {ball: 100 kg}}, vehicle: {towing: {ball: 100 kg}}}", want{status: Met, summary: "exactly", limit: "100 kg", margin: "0 kg"}},
			{"{trailer: {laden: {ball: 100.001 kg}}, vehicle: {towing: {ball: 100 kg}}}", want{
				status: NotMet, summary: "is over 100 kg (vehicle.towing.ball), by 0.001 kg", limit: "100 kg", margin: "-0.001 kg",
				remedy: "Move load back in the trailer, or fit parts rated for this load.",
			}},
			{"{trailer: {laden: {ball: 500 lb}}, vehicle: {towing: {ball: 500 lb}}}", want{status: Met, summary: "500 lb is within 500 lb", limit: "500 lb", margin: "0 lb"}},
			{"{trailer: {laden: {ball: 100 kg}}}", want{status: Unknown, needs: []string{"/vehicle/towing/ball"}}},
			{"{}", want{status: Unknown, needs: []string{"/trailer/laden/ball", "/vehicle/towing/ball"}}},
		}},
		{"braking_performance: {stop: {from: 30 km/h, within: 7 m}}", "braking_performance.stop", []check{
			{"{evidence: {stopping: {from: 30 km/h, within: 7 m}}}", want{status: Met, summary: "A stop from 30 km/h within 7 m is asked; from 30 km/h it took 7 m.", limit: "7 m", margin: "0 m"}},
			{"{evidence: {stopping: {from: 30 km/h, within: 7.001 m}}}", want{status: NotMet, summary: "it took 7.001 m", limit: "7 m", margin: "-0.001 m", remedy: "Adjust or repair the brakes, or brake more wheels, and test again."}},
			// Faster and shorter proves it; slower and longer refutes it.
			{"{evidence: {stopping: {from: 40 km/h, within: 6 m}}}", want{status: Met, summary: "from 40 km/h", limit: "7 m", margin: "1 m"}},
			{"{evidence: {stopping: {from: 20 km/h, within: 8 m}}}", want{status: NotMet, summary: "from 20 km/h", limit: "7 m", margin: "-1 m", remedy: "Adjust or repair the brakes, or brake more wheels, and test again."}},
			// Faster and longer, or slower and shorter, shows nothing.
			{"{evidence: {stopping: {from: 30.001 km/h, within: 7.001 m}}}", want{status: Unknown, summary: "does not show it", needs: []string{"/evidence/stopping/from"}}},
			{"{evidence: {stopping: {from: 29.999 km/h, within: 7 m}}}", want{status: Unknown, summary: "does not show it", needs: []string{"/evidence/stopping/from"}}},
			// 20 mph is 32.18688 km/h, 22 ft is 6.7056 m.
			{"{evidence: {stopping: {from: 20 mph, within: 22 ft}}}", want{status: Met, summary: "from 20 mph it took 22 ft", limit: "7 m", margin: "0.2944 m"}},
			{"{evidence: {stopping: {from: 30 km/h}}}", want{status: Unknown, summary: "only a measured stop", needs: []string{"/evidence/stopping/within"}}},
			{"{evidence: {stopping: {within: 7 m}}}", want{status: Unknown, needs: []string{"/evidence/stopping/from"}}},
			{"{}", want{status: Unknown, needs: []string{"/evidence/stopping/from", "/evidence/stopping/within"}}},
		}},
		{"braking_performance: {deceleration: 5 m/s2}", "braking_performance.deceleration", []check{
			{"{evidence: {deceleration: 5 m/s2}}", want{status: Met, summary: "exactly", limit: "5 m/s2", margin: "0 m/s2"}},
			{"{evidence: {deceleration: 4.99 m/s2}}", want{status: NotMet, summary: "by 0.01 m/s2", limit: "5 m/s2", margin: "-0.01 m/s2", remedy: "Adjust or repair the brakes and test again."}},
			{"{evidence: {trailer_deceleration: 6 m/s2}}", want{status: Unknown, needs: []string{"/evidence/deceleration"}}},
		}},
		{"braking_performance: {trailer_deceleration: 5 m/s2}", "braking_performance.trailer_deceleration", []check{
			{"{evidence: {trailer_deceleration: 0.51 g}}", want{status: Met, summary: "0.51 g (about 5.00139 m/s2)", limit: "5 m/s2", margin: "about 0.0013915 m/s2"}}, // 0.51 x 9.80665
			{"{evidence: {trailer_deceleration: 4.99 m/s2}}", want{status: NotMet, summary: "by 0.01 m/s2", limit: "5 m/s2", margin: "-0.01 m/s2", remedy: "Adjust or repair the brakes and test again."}},
			{"{evidence: {deceleration: 6 m/s2}}", want{status: Unknown, needs: []string{"/evidence/trailer_deceleration"}}},
		}},
		{"braking_performance: {efficiency: 45 %}", "braking_performance.efficiency", []check{
			{"{evidence: {efficiency: 45 %}}", want{status: Met, summary: "exactly", limit: "45 %", margin: "0 %"}},
			{"{evidence: {efficiency: 44.9 %}}", want{status: NotMet, summary: "by 0.1 %", limit: "45 %", margin: "-0.1 %", remedy: "Adjust or repair the brakes and test again."}},
			{"{}", want{status: Unknown, needs: []string{"/evidence/efficiency"}}},
		}},
		{"device: {role: load_levelling, required: true}", "device.load_levelling", deviceChecks("load_levelling")},
		{"device: {role: sway_device, required: true}", "device.sway_device", deviceChecks("sway_device")},
		{"connector: {any_of: [iso1724-12n, iso11446-13]}", "connector.any_of", []check{
			{"{trailer: {connector: iso11446-13}}", want{status: Met, summary: "Trailer plug iso11446-13 is permitted", limit: "iso1724-12n, iso11446-13"}},
			{"{trailer: {connector: other}}", want{status: NotMet, summary: "not among those permitted", limit: "iso1724-12n, iso11446-13", remedy: "Fit one of iso1724-12n, iso11446-13."}},
			{"{vehicle: {connector: iso11446-13}}", want{status: Unknown, needs: []string{"/trailer/connector"}}}, // the socket is not the plug
		}},
		{"speed: {at_most: 100 km/h}", "speed.at_most", []check{
			{"{use: {speed: 100 km/h}}", want{status: Met, summary: "exactly", limit: "100 km/h", margin: "0 km/h"}},
			{"{use: {speed: 100.001 km/h}}", want{status: NotMet, summary: "by 0.001 km/h", limit: "100 km/h", margin: "-0.001 km/h", remedy: "Drive no faster than 100 km/h with this trailer."}},
			{"{use: {speed: 62.137 mph}}", want{status: Met, summary: "62.137 mph (about 99.9998 km/h)", limit: "100 km/h", margin: "about 0.000191872 km/h"}},
			{"{vehicle: {towing: {combination_speed: 90 km/h}}}", want{status: Unknown, needs: []string{"/use/speed"}}},
		}},
	} {
		t.Run(tc.question+"/"+tc.oblige, func(t *testing.T) {
			d := find(t, tc.oblige, tc.question)
			for _, c := range tc.checks {
				t.Run(c.rig[:min(len(c.rig), 120)], func(t *testing.T) { compare(t, aRig(t, c.rig), d, c.want) })
			}
		})
	}
}

func flagChecks(a, b, c, remedy string) []check {
	doc := func(v string) string { return fmt.Sprintf("{%s: {%s: {%s: %s}}}", a, b, c, v) }
	return []check{
		{doc("true"), want{status: Met}},
		{doc("false"), want{status: NotMet, remedy: remedy}},
		{"{}", want{status: Unknown, summary: "It is not known whether", needs: []string{"/" + a + "/" + b + "/" + c}}},
	}
}

func deviceChecks(role string) []check {
	name := strings.ReplaceAll(role, "_", " ")
	return []check{
		{"{parts: [{role: " + role + "}]}", want{status: Met, summary: "A " + name + " is fitted."}},
		{"{parts: [{role: " + role + ", count: 0}, {role: " + role + "}]}", want{status: Met, summary: "is fitted"}},
		{"{parts: [{role: " + role + ", count: 0}]}", want{status: NotMet, summary: "none is fitted", remedy: "Fit a " + name + "."}},
		{"{parts: [{role: ball}]}", want{status: Unknown, summary: "the parts name none", needs: []string{"/parts/-"}}},
		{"{}", want{status: Unknown, needs: []string{"/parts/-"}}},
	}
}

// A relief says that the law asks nothing: it holds for any rig and reads none.
func TestRelief(t *testing.T) {
	for oblige, question := range map[string]string{
		"service_brakes: {required: false}":                 "service_brakes.required",
		"breakaway: {required: false}":                      "breakaway.required",
		"breakaway: {battery_indicator: false}":             "breakaway.battery_indicator",
		"breakaway: {charged_from_vehicle: false}":          "breakaway.charged_from_vehicle",
		"parking_brake: {required: false}":                  "parking_brake.required",
		"safety_chains: {required: false}":                  "safety_chains.required",
		"device: {role: load_levelling, required: false}":   "device.load_levelling",
		"device: {role: sway_device, required: false}":      "device.sway_device",
		"service_brakes: {required: false, kinds: [surge]}": "service_brakes.required",
	} {
		d := find(t, oblige, question)
		if !d.Relief || d.Conduct || d.Demand.Merge != MergeAny || d.Demand.Bool || len(d.Reads()) != 0 || len(d.Programs()) != 0 {
			t.Errorf("%s is %+v", oblige, d)
		}
		for _, doc := range []string{"{}", "{trailer: {brakes: {kind: none}}}"} {
			if res := d.Check(aRig(t, doc), term); res.Status != Met || res.Needs != nil || !strings.Contains(res.Summary, "asked for") {
				t.Errorf("%s: %+v", oblige, res)
			}
		}
	}
}

// Only how the rig is driven is conduct, whose being unknown holds nothing up.
func TestConductIsSpeedAlone(t *testing.T) {
	for _, s := range samples {
		for _, d := range compile(t, s.oblige) {
			if d.Conduct != (d.Question == "speed.at_most") {
				t.Errorf("%s: conduct is %v", d.Question, d.Conduct)
			}
		}
	}
}

func TestNoticeAsksNothing(t *testing.T) {
	for _, about := range NoticeSubjects {
		if ds := compile(t, "notice: {about: "+about+"}"); len(ds) != 0 {
			t.Errorf("a notice about %s makes duties %v", about, ds)
		}
	}
}

// Inputs name what was entered, with its value as entered.
func TestInputs(t *testing.T) {
	for _, tc := range []struct {
		oblige, question, rig string
		inputs                []rig.Input
	}{
		{
			"service_brakes: {wheels: all}", "service_brakes.wheels", "{trailer: {axle_count: 2, brakes: {kind: air, axle_positions: [1, 2]}}}",
			[]rig.Input{{Pointer: "/trailer/brakes/axle_positions", Value: "1 2"}, {Pointer: "/trailer/axle_count", Value: "2"}},
		},
		{
			"mass_limit: {of: trailer.laden.total, at_most: vehicle.towing.limit}", "mass_limit.at_most",
			"{trailer: {laden: {axles: 1 t, ball: 100 kg}, brakes: {kind: air}}, vehicle: {towing: {braked: 3000 lb}}}",
			[]rig.Input{
				{Pointer: "/trailer/laden/axles", Value: "1 t"},
				{Pointer: "/trailer/laden/ball", Value: "100 kg"},
				{Pointer: "/trailer/brakes/kind", Value: "air"},
				{Pointer: "/vehicle/towing/braked", Value: "3000 lb"},
			},
		},
		{
			"safety_chains: {each_breaking: kg(1000)}", "safety_chains.each_breaking",
			"{parts: [{role: ball}, {role: chain, breaking_force: 50 kN}, {role: chain, breaking_mass: 5 t}, {role: cable, count: 0}]}",
			[]rig.Input{{Pointer: "/parts/1/breaking_force", Value: "50 kN"}, {Pointer: "/parts/2/breaking_mass", Value: "5 t"}},
		},
		{
			"safety_chains: {together_breaking: kg(1000)}", "safety_chains.together_breaking",
			"{parts: [{role: cable, count: 0}, {role: chain, breaking_force: 50 kN}]}",
			[]rig.Input{{Pointer: "/parts/1/breaking_force", Value: "50 kN"}},
		},
		{
			"safety_chains: {count: 3}", "safety_chains.count", "{parts: [{role: chain}, {role: cable, count: 2}]}",
			[]rig.Input{{Pointer: "/parts/0/count", Value: "1"}, {Pointer: "/parts/1/count", Value: "2"}},
		},
		{
			"device: {role: sway_device, required: true}", "device.sway_device", "{parts: [{role: sway_device, count: 0}, {role: sway_device}]}",
			[]rig.Input{{Pointer: "/parts/0/count", Value: "0"}, {Pointer: "/parts/1/count", Value: "1"}},
		},
		{
			"part_rating: {roles: [ball], at_least: kg(1)}", "part_rating.ball", "{parts: [{role: ball, rated_mass: 2000 lb}]}",
			[]rig.Input{{Pointer: "/parts/0/rated_mass", Value: "2000 lb"}},
		},
		{
			"braking_performance: {stop: {from: 30 km/h, within: 7 m}}", "braking_performance.stop", "{evidence: {stopping: {from: 20 mph, within: 20 ft}}}",
			[]rig.Input{{Pointer: "/evidence/stopping/from", Value: "20 mph"}, {Pointer: "/evidence/stopping/within", Value: "20 ft"}},
		},
	} {
		if got := find(t, tc.oblige, tc.question).Check(aRig(t, tc.rig), term).Inputs; !slices.Equal(got, tc.inputs) {
			t.Errorf("%s: inputs %v, want %v", tc.question, got, tc.inputs)
		}
	}
}
