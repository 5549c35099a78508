package rules

import (
	"slices"
	"strconv"
	"strings"

	"drawgear/rules/duty"
	"drawgear/rules/expr"
)

// asks merges the demands of law and plates on each question into the
// strictest. A question on which no rule holds, or may hold, is not listed.
func (e *run) asks() []Ask {
	groups := e.byQuestion(func(f *found) bool { return f.truth != expr.False && f.duty.Demand.Merge != duty.MergeNone })
	slices.SortFunc(groups, func(x, y []*found) int { return strings.Compare(x[0].Question, y[0].Question) })
	out := make([]Ask, len(groups))
	for i, fs := range groups {
		out[i] = e.ask(fs[0].Question, fs)
	}
	return out
}

const unknownText = "unknown"

func (e *run) ask(question string, fs []*found) Ask {
	a := Ask{Question: question, Value: unknownText, Rules: make([]string, 0, len(fs))}
	holds, maybe := make([]*found, 0, 8), make([]*found, 0, 8)
	for _, f := range fs {
		a.Rules = append(a.Rules, f.Rule)
		if f.truth == expr.True {
			holds = append(holds, f)
		} else if !f.duty.Relief {
			maybe = append(maybe, f)
		}
	}
	if merge := fs[0].duty.Demand.Merge; merge == duty.MergeAny {
		a.Value = anyAsk(holds, maybe)
		return a
	}
	// A rule that may hold could ask for more: the figure is then not known,
	// unless there is no more to ask.
	if len(holds) == 0 || len(maybe) > 0 && (fs[0].duty.Demand.Merge != duty.MergeWheels || strictestWheels(holds) != "all") {
		return a
	}
	switch fs[0].duty.Demand.Merge {
	case duty.MergeIntersect:
		a.Permitted = e.permitted(question)
		a.Value = "listed"
	case duty.MergeWheels:
		a.Value = strictestWheels(holds)
	case duty.MergeMost, duty.MergeLeast:
		a.Value = e.strictestAmount(holds, fs[0].duty.Demand.Merge)
	}
	return a
}

// anyAsk: one duty that holds asks, however many more may; a relief frees only
// if no duty may hold.
func anyAsk(holds, maybe []*found) string {
	freed := false
	for _, f := range holds {
		if !f.duty.Relief {
			return "true"
		}
		freed = true
	}
	if freed && len(maybe) == 0 {
		return "false"
	}
	return unknownText
}

func strictestWheels(fs []*found) string {
	order := []string{"all", "half", "rear_axle", "one_axle"}
	best := len(order)
	for _, f := range fs {
		best = min(best, slices.Index(order, f.duty.Demand.Words[0]))
	}
	return order[best]
}

func (e *run) strictestAmount(fs []*found, merge duty.Merge) string {
	var best expr.Value
	for i, f := range fs {
		v := f.duty.Demand.Value
		if p := f.duty.Demand.Amount; p != nil {
			var known bool
			if v, known = p.Value(e.rig); !known {
				return unknownText
			}
		}
		if i == 0 || (v.Cmp(best) > 0) == (merge == duty.MergeMost) {
			best = v
		}
	}
	if best.Unit == 0 {
		return strconv.FormatInt(best.Num/best.Den, 10)
	}
	return best.String()
}
