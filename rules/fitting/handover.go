package fitting

import (
	"fmt"
	"strings"

	"drawgear/rules"
	"drawgear/rules/rig"
)

// NewHandover gathers the content of the printed record. Nothing is drawn here.
// The judgement must be that of the plan, and the answer that of the rig.
func NewHandover(r *rig.Rig, a *rules.Answer, p *Plan, j *Judgement, rec Record) *Handover {
	h := &Handover{
		Job: rec.Job, Rig: rigLines(r), Law: p.Law, LawSources: cited(a, p), Rulesets: a.Rulesets, Verdict: a.Verdict,
		Plan:  PlanSummary{p.Electrical, p.Circuit, p.Protection, p.StopSignal, p.Connector, p.Breakaway},
		Steps: p.Steps, Needs: p.Needs, Findings: p.Findings, Proofs: j.Proofs, Faults: j.Faults, Proven: j.Proven,
		Open: []string{}, Parts: rec.Parts, Untraced: []string{}, SignOff: rec.SignOff,
		Signed:     rec.SignOff.Name != "" && rec.SignOff.On != "" && rec.SignOff.Licence != "",
		BeforeTrip: beforeTrip(p), Missing: p.Missing, Cautions: []string{},
	}
	if h.Parts == nil {
		h.Parts = []FittedPart{}
	}
	for _, x := range j.Proofs {
		if x.Status == rules.NotMet || x.Required && x.Status != rules.Met {
			h.Open = append(h.Open, fmt.Sprintf("%s: %s", x.Title, x.Summary))
		}
	}
	for i, x := range rec.Parts {
		if x.Batch == "" && x.Serial == "" {
			name := x.Description
			if name == "" {
				name = spaced(x.Role)
			}
			if name == "" {
				name = fmt.Sprintf("part %d", i+1)
			}
			h.Untraced = append(h.Untraced, name)
		}
	}
	if !h.Proven {
		h.Cautions = append(h.Cautions, "The job is not proven. The trailer is not to be handed over as finished.")
	}
	if !h.Signed {
		h.Cautions = append(h.Cautions, "Nobody has signed for the work: name, day and licence reference are wanted.")
	}
	if h.Verdict != rules.Compliant {
		h.Cautions = append(h.Cautions, "The law's answer for this rig is "+spaced(string(h.Verdict))+": proofs of the brakes do not change that.")
	}
	if rec.SignOff.Licence != "" {
		h.Cautions = append(h.Cautions, "The licence reference is as supplied; it was not checked.")
	}
	h.Cautions = appendNew(h.Cautions, j.Cautions...)
	return h
}

// rigLines are the facts as they were entered, in the order of the contract.
func rigLines(r *rig.Rig) []Line {
	out := []Line{}
	if r.Jurisdiction != "" {
		out = append(out, Line{"/jurisdiction", "Jurisdiction (ISO 3166).", r.Jurisdiction})
	}
	for _, f := range rig.Fields() {
		if f.Pointer != "" && r.Known(f.ID) {
			for _, in := range r.Inputs(f.ID) {
				if in.Pointer == f.Pointer {
					out = append(out, Line{f.Pointer, f.Doc, in.Value})
				}
			}
		}
	}
	for i, x := range r.Parts {
		value := spaced(x.Role)
		if !x.RatedMass.IsZero() {
			value += ", rated " + x.RatedMass.Text()
		}
		if x.Count != 1 {
			value += fmt.Sprintf(", %d of them", x.Count)
		}
		out = append(out, Line{fmt.Sprintf("/parts/%d", i), "A rated part.", value})
	}
	return out
}

// cited are the publications behind what the plan says of the law.
func cited(a *rules.Answer, p *Plan) []rules.Source {
	out := []rules.Source{}
	for _, s := range a.Sources {
		for _, l := range p.Law {
			for _, c := range l.Citations {
				if c.Source == s.ID {
					out = appendNew(out, s)
				}
			}
		}
	}
	return out
}

// beforeTrip is what the driver looks at each time, for this rig. Common
// practice, no published source.
func beforeTrip(p *Plan) []Check {
	out := []Check{
		{"Coupling closed and locked, secondary lock engaged; pull up on the drawbar.", "A coupling that looks closed may sit on top of the ball."},
		{"Chains or secondary coupling fastened as the law of the place has it.", "They hold what the coupling lets go."},
		{"Plug home; position lamps, turn signals and stop lamps all work.", "Who follows sees only these."},
		{"Tyres, wheel nuts and load looked over; load forward enough, and within the plates.", "The brakes were proven for this load and no other."},
		{"Parking brake off, jockey wheel up, chocks stowed.", "A brake left on burns on the way."},
	}
	c := p.Proof
	if c.Braked == rules.No {
		return out
	}
	if c.Electrical == rules.Yes {
		out = append(out, Check{"Gain set for this load and surface; turned down when empty or on loose ground.", "A setting for a laden trailer locks an empty one."})
		if c.Override != rules.No {
			out = append(out, Check{"At walking pace, manual override: the trailer alone slows the rig, and comes free again.", "The only check that shows brakes, line and controller at once."})
		} else {
			out = append(out, Check{"At walking pace, a first stop with the pedal: the trailer brakes with the vehicle.", "It shows brakes, line and controller at once."})
		}
	}
	if c.Overrun {
		out = append(out, Check{"First stop at walking pace: the trailer brakes without a knock, and comes free again.", "A shaft that sticks or a worn damper shows here."})
	}
	switch {
	case c.Breakaway == rules.Yes && c.ByBattery:
		out = append(out,
			Check{"Breakaway pin's cable hooked to the vehicle itself, free in a tight turn; pin sound.", "It must pull before the chains come tight."},
			Check{"Breakaway battery charged: by its display under load, or by its voltage.", "A display without load shows little: the hold is proven by the clock at each service."})
	case c.Breakaway == rules.Yes:
		out = append(out, Check{"Breakaway cable sound, hooked to its point on the vehicle, free in a tight turn.", "It sets the brake if the coupling lets go."})
	}
	if w := strings.Join(p.Connector.Hazards, " "); w != "" {
		out = append(out, Check{"Never plug this trailer into another kind of socket, even where the plug fits.", w})
	}
	return out
}
