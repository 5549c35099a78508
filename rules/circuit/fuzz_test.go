package circuit_test

import (
	"encoding/json"
	"errors"
	"math"
	"testing"

	"drawgear/rules/circuit"
)

// FuzzSolve reads circuits as a client would send them: each is refused by name
// or solved to finite figures that leave no load without voltage.
func FuzzSolve(f *testing.F) {
	for _, s := range []string{
		`{"volts":13,"line":{"feed":{"conductor":"6 mm2","length_m":10},"return":{"conductor":"6 mm2","length_m":10},"loads":[{"ohm":3.2},{"ohm":3.2}]}}`,
		`{"volts":12,"supply":{"conductor":"10 AWG","length_m":3},"controller_ohm":0.02,"line":{"feed":{},"return":{},"loads":[{"amps":20}]},"temperatures":{"conductors_c":60,"magnets_c":90}}`,
		`{"volts":12,"line":{"feed":{"connections_ohm":1e6},"return":{"other_a":500,"connections_ohm":1},"loads":[{"ohm":0.01}]}}`,
		`{"volts":1,"line":{"feed":{},"return":{},"loads":[{"ohm":1e6}],"next":[{"feed":{"length_m":1},"return":{},"loads":[{"amps":1}]}]}}`,
	} {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, b []byte) {
		var c circuit.Circuit
		if json.Unmarshal(b, &c) != nil {
			return
		}
		s, err := circuit.Solve(c)
		if err != nil {
			var bad *circuit.Bad
			if !errors.As(err, &bad) || bad.Arg == "" || bad.Why == "" {
				t.Fatalf("%s: %v", b, err)
			}
		} else {
			if !finite(s.Amps, s.OutputVolts, s.Drop.Total) {
				t.Fatalf("%s: %+v", b, s)
			}
			for _, l := range s.Loads {
				if !(l.Volts > 0) || !finite(l.Amps, l.Watts, l.Power) {
					t.Fatalf("%s: %+v", b, l)
				}
			}
		}
		all, err := circuit.Choose(c, circuit.Demand{Drop: 0.5, SupplyDrop: 0.2})
		if err != nil {
			return
		}
		for _, ch := range all {
			if _, err := json.Marshal(ch); err != nil {
				t.Fatalf("%s: %v", b, err)
			}
		}
	})
}

func finite(all ...float64) bool {
	for _, x := range all {
		if math.IsNaN(x) || math.IsInf(x, 0) {
			return false
		}
	}
	return true
}
