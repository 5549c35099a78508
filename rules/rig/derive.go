package rig

import (
	"slices"
	"strconv"

	"drawgear/rules/quantity"
)

// A formula works out one fact from others. Exact formulas are definitions and
// may decide a finding; an estimate names the assumption it rests on and only
// informs.
type formula struct {
	target     string
	text       string
	inputs     []string
	assumption string
	apply      func(r *Rig, in []ID) (quantity.Quantity, bool)
}

// formulas in the order of the answer. The mass identities are the definitions
// of the terms: what the axles carry and what the coupling carries make the
// whole (for example the inspection glossary of Tasmania, which defines GTM as
// ATM less the load on the vehicle; common practice elsewhere).
var formulas = []formula{
	plus("trailer.laden.total", "trailer.laden.axles", "trailer.laden.ball"),
	minus("trailer.laden.axles", "trailer.laden.total", "trailer.laden.ball"),
	minus("trailer.laden.ball", "trailer.laden.total", "trailer.laden.axles"),
	plus("trailer.rated.total", "trailer.rated.axles", "trailer.rated.ball"),
	minus("trailer.rated.axles", "trailer.rated.total", "trailer.rated.ball"),
	minus("trailer.rated.ball", "trailer.rated.total", "trailer.rated.axles"),
	minus("trailer.laden.load", "trailer.laden.total", "trailer.tare"),
	sumOf("vehicle.rated.axle_sum", "vehicle.rated.axles"),
	sumOf("vehicle.laden.axle_sum", "vehicle.laden.axles"),
	{
		target: "vehicle.laden.total", text: "sum of vehicle.laden.axles", inputs: []string{"vehicle.laden.axles"},
		apply: func(r *Rig, in []ID) (quantity.Quantity, bool) { return r.sum(in[0]) },
	},
	{
		target: "vehicle.laden.axle_sum", text: "vehicle.laden.total", inputs: []string{"vehicle.laden.total"},
		apply: func(r *Rig, in []ID) (quantity.Quantity, bool) { return r.quantities[in[0]], r.values[in[0]].Known },
	},
	plus("combination.rated.total", "vehicle.rated.total", "trailer.rated.total"),
	plus("combination.laden.total", "vehicle.laden.total", "trailer.laden.total"),
	{
		target: "vehicle.towing.limit", text: "vehicle.towing.braked if the trailer has a service brake, else vehicle.towing.unbraked",
		inputs: []string{"trailer.brakes.kind", "vehicle.towing.braked"},
		apply: func(r *Rig, in []ID) (quantity.Quantity, bool) {
			k := r.values[in[0]]
			return r.quantities[in[1]], k.Known && k.Word != "none" && r.values[in[1]].Known
		},
	},
	{
		target: "vehicle.towing.limit", text: "vehicle.towing.braked if the trailer has a service brake, else vehicle.towing.unbraked",
		inputs: []string{"trailer.brakes.kind", "vehicle.towing.unbraked"},
		apply: func(r *Rig, in []ID) (quantity.Quantity, bool) {
			k := r.values[in[0]]
			return r.quantities[in[1]], k.Known && k.Word == "none" && r.values[in[1]].Known
		},
	},
	{
		target: "trailer.rated.axles", text: "trailer.rated.total - trailer.laden.ball", inputs: []string{"trailer.rated.total", "trailer.laden.ball"},
		assumption: "today's ball load stands in for the plated one; read the plate, this estimate decides nothing",
		apply:      difference,
	},
}

// formulaIDs are the target and the inputs of each formula.
var formulaIDs = func() [][]ID {
	var out [][]ID
	for _, f := range formulas {
		ids := []ID{must(f.target)}
		for _, path := range f.inputs {
			ids = append(ids, must(path))
		}
		out = append(out, ids)
	}
	return out
}()

func plus(target, a, b string) formula {
	return formula{target: target, text: a + " + " + b, inputs: []string{a, b}, apply: func(r *Rig, in []ID) (quantity.Quantity, bool) {
		if !r.values[in[0]].Known || !r.values[in[1]].Known {
			return quantity.Quantity{}, false
		}
		q, err := quantity.Add(r.quantities[in[0]], r.quantities[in[1]])
		return q, err == nil
	}}
}

func minus(target, a, b string) formula {
	return formula{target: target, text: a + " - " + b, inputs: []string{a, b}, apply: difference}
}

func difference(r *Rig, in []ID) (quantity.Quantity, bool) {
	if !r.values[in[0]].Known || !r.values[in[1]].Known {
		return quantity.Quantity{}, false
	}
	q, err := quantity.Sub(r.quantities[in[0]], r.quantities[in[1]])
	return q, err == nil
}

func sumOf(target, list string) formula {
	return formula{target: target, text: "sum of " + list, inputs: []string{list}, apply: func(r *Rig, in []ID) (quantity.Quantity, bool) {
		return r.sum(in[0])
	}}
}

func (r *Rig) sum(id ID) (quantity.Quantity, bool) {
	list, ok := r.lists[id]
	if !ok {
		return quantity.Quantity{}, false
	}
	total := list[0]
	for _, q := range list[1:] {
		var err error
		if total, err = quantity.Add(total, q); err != nil {
			return quantity.Quantity{}, false
		}
	}
	return total, true
}

// derive fills in every fact that follows from the entered ones. It runs the
// table until nothing is added: a sum may wait for another sum.
func (r *Rig) derive() {
	r.deriveFlags()
	var estimates []Derivation
	for again := true; again; {
		again = false
		for i, f := range formulas {
			id, in := formulaIDs[i][0], formulaIDs[i][1:]
			if f.assumption != "" || r.values[id].Known {
				continue
			}
			v, ok := f.apply(r, in)
			if !ok {
				continue
			}
			r.set(id, v)
			r.derivedBy[id] = len(r.derivations)
			r.derivations = append(r.derivations, Derivation{Figure: f.target, Value: v.Text(), Formula: f.text, Inputs: r.inputsOf(in)})
			again = true
		}
	}
	for i, f := range formulas {
		id, in := formulaIDs[i][0], formulaIDs[i][1:]
		if f.assumption == "" || r.values[id].Known {
			continue
		}
		if v, ok := f.apply(r, in); ok && v.Base() >= 0 {
			estimates = append(estimates, Derivation{Figure: f.target, Value: v.Text(), Formula: f.text, Inputs: r.inputsOf(in), Assumption: f.assumption})
		}
	}
	r.derivations = append(r.derivations, estimates...)
}

func (r *Rig) inputsOf(ids []ID) []Input {
	var out []Input
	for _, id := range ids {
		if fields[id].Kind == KindMasses {
			for i, q := range r.lists[id] {
				out = append(out, Input{Pointer: fields[id].Pointer + "/" + strconv.Itoa(i), Value: q.Text()})
			}
			continue
		}
		out = append(out, r.Inputs(id)...)
	}
	return out
}

// deriveFlags works out the true-or-false facts.
func (r *Rig) deriveFlags() {
	kind := r.values[must("trailer.brakes.kind")]
	if kind.Known {
		r.flag("trailer.brakes.fitted", kind.Word != "none", "trailer.brakes.kind")
	}
	axles, braked := r.values[must("trailer.axle_count")], r.values[must("trailer.brakes.braked_axles")]
	positions, listed := r.counts[must("trailer.brakes.axle_positions")]
	if !braked.Known && listed {
		braked = Value{Known: true, Num: int64(len(positions))}
		r.work("trailer.brakes.braked_axles", braked, "number of trailer.brakes.axle_positions", "trailer.brakes.axle_positions")
	}
	if axles.Known && braked.Known {
		r.flag("trailer.brakes.all_wheels", braked.Num == axles.Num && axles.Num > 0, "trailer.brakes.braked_axles", "trailer.axle_count")
	}
	if axles.Known && listed {
		last := false
		for _, p := range positions {
			last = last || int64(p) == axles.Num
		}
		r.flag("trailer.brakes.rear_axle", last, "trailer.brakes.axle_positions", "trailer.axle_count")
	} else if axles.Known && braked.Known && braked.Num == axles.Num && axles.Num > 0 {
		r.flag("trailer.brakes.rear_axle", true, "trailer.brakes.braked_axles", "trailer.axle_count")
	}
	rating := must("vehicle.towing.maker_rating")
	if !r.values[rating].Known && (r.values[must("vehicle.towing.braked")].Known || r.values[must("vehicle.towing.unbraked")].Known) {
		r.work("vehicle.towing.maker_rating", Value{Known: true, Num: 1}, "a towing limit is given", "vehicle.towing.braked", "vehicle.towing.unbraked")
	}
}

func (r *Rig) flag(target string, x bool, inputs ...string) {
	v := Value{Known: true}
	if x {
		v.Num = 1
	}
	r.work(target, v, fields[must(target)].Doc, inputs...)
}

// work records a fact that follows from others.
func (r *Rig) work(target string, v Value, formula string, inputs ...string) {
	id := must(target)
	r.values[id] = v
	var in []Input
	for _, p := range inputs {
		for _, x := range r.Inputs(must(p)) {
			if !slices.Contains(in, x) {
				in = append(in, x)
			}
		}
	}
	r.derivedBy[id] = len(r.derivations)
	r.derivations = append(r.derivations, Derivation{Figure: target, Value: r.Text(id), Formula: formula, Inputs: in})
}
