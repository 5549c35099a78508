package rig

import (
	"slices"
	"strconv"
	"sync"

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

// way is how a fact is worked out.
type way struct {
	target     ID
	text       string
	inputs     []ID
	assumption string
}

func wayTo(target, text, assumption string, inputs ...string) *way {
	w := &way{target: must(target), text: text, assumption: assumption}
	for _, path := range inputs {
		w.inputs = append(w.inputs, must(path))
	}
	return w
}

// ways are those of the formulas, in their order.
var ways = func() (out []*way) {
	for _, f := range formulas {
		out = append(out, wayTo(f.target, f.text, f.assumption, f.inputs...))
	}
	return out
}()

// Ways to facts that are no amounts.
var (
	byBrakeKind     = flagged("trailer.brakes.fitted", "trailer.brakes.kind")
	byPositions     = wayTo("trailer.brakes.braked_axles", "number of trailer.brakes.axle_positions", "", "trailer.brakes.axle_positions")
	byCounts        = flagged("trailer.brakes.all_wheels", "trailer.brakes.braked_axles", "trailer.axle_count")
	rearByPositions = flagged("trailer.brakes.rear_axle", "trailer.brakes.axle_positions", "trailer.axle_count")
	rearByCounts    = flagged("trailer.brakes.rear_axle", "trailer.brakes.braked_axles", "trailer.axle_count")
	byLimits        = wayTo("vehicle.towing.maker_rating", "a towing limit is given", "", "vehicle.towing.braked", "vehicle.towing.unbraked")
)

func flagged(target string, inputs ...string) *way {
	return wayTo(target, fields[must(target)].Doc, "", inputs...)
}

// working is that a fact was worked out, and how. Its words are written when they
// are asked for, which of most rigs they are not.
type working struct {
	*way
	estimate quantity.Quantity // what it comes to if that is no fact
}

// telling is what was worked out of a rig in words, written once.
type telling struct {
	once sync.Once
	all  []Derivation
}

// tell writes down what was worked out. What a fact rests on stands before it.
func (r *Rig) tell() (all []Derivation) {
	for _, w := range r.workings {
		d := Derivation{Figure: fields[w.target].Path, Formula: w.text, Assumption: w.assumption}
		if w.assumption != "" {
			d.Value = w.estimate.Text()
		} else {
			d.Value = r.Text(w.target)
		}
		for _, id := range w.inputs {
			var inputs []Input
			switch {
			case r.derived(id):
				inputs = all[r.derivedBy[id]-1].Inputs
			case fields[id].Kind == KindMasses:
				for i, q := range r.lists[id] {
					inputs = append(inputs, Input{Pointer: fields[id].Pointer + "/" + strconv.Itoa(i), Value: q.Text()})
				}
			default:
				inputs = r.entry(id)
			}
			for _, in := range inputs {
				if !slices.Contains(d.Inputs, in) {
					d.Inputs = append(d.Inputs, in)
				}
			}
		}
		all = append(all, d)
	}
	return all
}

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
	r.workings = make([]working, 0, len(ways))
	r.deriveFlags()
	for again := true; again; {
		again = false
		for i, w := range ways {
			if w.assumption != "" || r.values[w.target].Known {
				continue
			}
			if q, ok := formulas[i].apply(r, w.inputs); ok {
				r.set(w.target, q)
				r.worked(w)
				again = true
			}
		}
	}
	for i, w := range ways {
		if w.assumption == "" || r.values[w.target].Known {
			continue
		}
		if q, ok := formulas[i].apply(r, w.inputs); ok && q.Base() >= 0 {
			r.workings = append(r.workings, working{w, q})
		}
	}
}

// worked records that a fact follows from others.
func (r *Rig) worked(w *way) {
	r.workings = append(r.workings, working{way: w})
	r.derivedBy[w.target] = uint8(len(r.workings))
}

// deriveFlags works out the facts that are no amounts.
func (r *Rig) deriveFlags() {
	if kind := r.values[brakeKind]; kind.Known {
		r.flag(byBrakeKind, kind.Word != "none")
	}
	positions, listed := r.counts[axlePositions]
	if !r.values[brakedAxles].Known && listed {
		r.values[brakedAxles] = Value{Known: true, Num: int64(len(positions))}
		r.worked(byPositions)
	}
	axles, braked := r.values[axleCount], r.values[brakedAxles]
	all := axles.Known && braked.Known && braked.Num == axles.Num && axles.Num > 0
	if axles.Known && braked.Known {
		r.flag(byCounts, all)
	}
	if axles.Known && listed {
		r.flag(rearByPositions, slices.Contains(positions, int(axles.Num)))
	} else if all {
		r.flag(rearByCounts, true)
	}
	if !r.values[makerRating].Known && (r.values[brakedLimit].Known || r.values[unbrakedLimit].Known) {
		r.setBool(makerRating, true)
		r.worked(byLimits)
	}
}

func (r *Rig) flag(w *way, x bool) {
	r.setBool(w.target, x)
	r.worked(w)
}
