package fitting_test

import (
	"math"
	"strconv"
	"testing"

	"drawgear/rules/fitting"
)

// The reference computes a brake circuit by another road than the package: node
// voltages from Kirchhoff's current law, solved by Gaussian elimination. The
// package reduces a tree of branches.

// grid is a network of resistors between named nodes. Node "0" is battery
// negative; "battery" is held at the supply.
type grid struct {
	supply float64
	edges  []edge
}

type edge struct {
	a, b string
	ohms float64
}

func (g *grid) join(a, b string, ohms float64) {
	g.edges = append(g.edges, edge{a, b, math.Max(ohms, 1e-7)})
}

// volts solves the network; nodes that nothing holds rest at nothing.
func (g *grid) volts() map[string]float64 {
	index := map[string]int{}
	var names []string
	for _, e := range g.edges {
		for _, n := range []string{e.a, e.b} {
			if n == "0" || n == "battery" {
				continue
			}
			if _, ok := index[n]; !ok {
				index[n] = len(names)
				names = append(names, n)
			}
		}
	}
	n := len(names)
	m := make([][]float64, n)
	for i := range m {
		m[i] = make([]float64, n+1)
		m[i][i] = 1e-12
	}
	for _, e := range g.edges {
		c := 1 / e.ohms
		for _, x := range [2][2]string{{e.a, e.b}, {e.b, e.a}} {
			i, ok := index[x[0]]
			if !ok {
				continue
			}
			m[i][i] += c
			switch j, inner := index[x[1]]; {
			case inner:
				m[i][j] -= c
			case x[1] == "battery":
				m[i][n] += c * g.supply
			}
		}
	}
	for i := range n {
		p := i
		for k := i; k < n; k++ {
			if math.Abs(m[k][i]) > math.Abs(m[p][i]) {
				p = k
			}
		}
		m[i], m[p] = m[p], m[i]
		for k := range n {
			if k != i {
				f := m[k][i] / m[i][i]
				for c := i; c <= n; c++ {
					m[k][c] -= f * m[i][c]
				}
			}
		}
	}
	v := map[string]float64{"0": 0, "battery": g.supply}
	for i, name := range names {
		v[name] = m[i][n] / m[i][i]
	}
	return v
}

// wrong is what is the matter with a circuit in the reference.
type wrong struct {
	output, trunk, back, trunkBack, feed, source float64            // added, ohm
	thin                                         float64            // factor on the line's conductors; 0 for 1
	leak                                         float64            // brake line to frame, ohm; 0 for none
	magnets                                      map[string]float64 // by place, such as "1 far 0": ohm instead; infinite for open
	drive                                        float64            // share of full output; 0 for 1
}

// read computes what a meter shows at the circuit of a plan, by the ids of its
// expectations.
func read(n *fitting.Network, supply, magnet float64, w wrong) map[string]float64 {
	if w.thin == 0 {
		w.thin = 1
	}
	drive := w.drive
	if drive == 0 {
		drive = 1
	}
	trailer := func(g *grid, plug, earth string) (last string) {
		g.join(plug, "a0+", w.thin*n.Trunk+w.trunk)
		g.join(earth, "a0-", w.thin*n.TrunkBack+w.trunkBack)
		if w.leak > 0 {
			g.join("a0+", "a0-", w.leak)
		}
		for i, a := range n.Axles {
			at := "a" + strconv.Itoa(i)
			if i > 0 {
				before := "a" + strconv.Itoa(i-1)
				g.join(before+"+", at+"+", w.thin*a.Jumper)
				g.join(before+"-", at+"-", w.thin*a.JumperBack)
			}
			g.join(at+"+", at+"far+", w.thin*a.Lead)
			g.join(at+"-", at+"far-", w.thin*a.LeadBack)
			for k := range a.Magnets {
				place, p, q := strconv.Itoa(i)+" near "+strconv.Itoa(k), at+"+", at+"-"
				if k >= a.Magnets/2 {
					place, p, q = strconv.Itoa(i)+" far "+strconv.Itoa(k-a.Magnets/2), at+"far+", at+"far-"
				}
				r := magnet
				if x, ok := w.magnets[place]; ok {
					r = x
				}
				if !math.IsInf(r, 1) {
					g.join(p, q, r)
				}
			}
			last = at + "far"
		}
		g.join(last+"+", last+"-", 1e7) // the meter
		return last
	}
	g := &grid{supply: supply * drive}
	g.join("battery", "post", w.source*drive)
	g.join("post", "in", (n.Feed+w.feed)*drive)
	g.join("in", "socket", w.thin*n.Output+w.output)
	last := trailer(g, "socket", "earth")
	g.join("earth", "0", w.thin*n.Return+w.back)
	v := g.volts()
	out := map[string]float64{
		"supply_rest": supply, "output/100": v["socket"] - v["earth"],
		"magnet_voltage": v[last+"+"] - v[last+"-"], "feed_drop": v["in"] - v[last+"+"], "return_drop": v[last+"-"],
	}
	total := (v["in"] - v["socket"]) / math.Max(w.thin*n.Output+w.output, 1e-7)
	out["supply_loaded"] = supply - total*(w.source+n.Feed+w.feed)
	out["battery_loaded"] = supply - total*w.source
	for i, a := range n.Axles {
		at, sum := "a"+strconv.Itoa(i), 0.0
		for k := range a.Magnets {
			place, d := strconv.Itoa(i)+" near "+strconv.Itoa(k), v[at+"+"]-v[at+"-"]
			if k >= a.Magnets/2 {
				place, d = strconv.Itoa(i)+" far "+strconv.Itoa(k-a.Magnets/2), v[at+"far+"]-v[at+"far-"]
			}
			r := magnet
			if x, ok := w.magnets[place]; ok {
				r = x
			}
			sum += d / r
		}
		out["axle_current/"+strconv.Itoa(a.Axle)] = sum
	}
	b := &grid{supply: 1}
	b.join("battery", "plug", 1e-3)
	trailer(b, "plug", "0")
	bv := b.volts()
	if i := (1 - bv["plug"]) / 1e-3; i > 0 {
		out["bank_resistance"] = bv["plug"] / i
	}
	return out
}

// TestReference holds the reference itself to sums done by hand: four magnets
// of 3.2 ohm at 13 V over 10 m one way of 12 AWG (5.211 ohm/km) carry 14.377 A
// and get 11.502 V, by Ohm's law: 13 V over 0.8 ohm and 0.10421 ohm.
func TestReference(t *testing.T) {
	half := 10 * 5.2107e-3 / 2
	n := &fitting.Network{Output: half, Return: half, Trunk: half, TrunkBack: half, Axles: []fitting.AxleOhms{{Axle: 1, Magnets: 2}, {Axle: 2, Magnets: 2}}}
	r := read(n, 13, 3.2, wrong{})
	near(t, "current", r["axle_current/1"]+r["axle_current/2"], 14.377, 1e-3)
	near(t, "magnet voltage", r["magnet_voltage"], 11.502, 1e-3)
	// 3.2 ohm over four and over three: 0.80 and 1.0667 ohm, the line left out.
	n.Trunk, n.TrunkBack = 0, 0
	near(t, "bank", read(n, 13, 3.2, wrong{})["bank_resistance"], 0.8, 1e-4)
	near(t, "bank with one open", read(n, 13, 3.2, wrong{magnets: map[string]float64{"0 far 0": math.Inf(1)}})["bank_resistance"], 1.0667, 1e-4)
}

func near(t *testing.T, what string, got, want, by float64) {
	t.Helper()
	if math.Abs(got-want) > by || math.IsNaN(got) {
		t.Errorf("%s is %.6g, want %.6g", what, got, want)
	}
}
