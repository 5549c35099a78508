package fitting

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"drawgear/rules"
	"drawgear/rules/circuit"
	"drawgear/rules/quantity"
	"drawgear/rules/rig"
)

// Words of the labels of a source.
const (
	high   = "high"
	medium = "medium"
	low    = "low"

	fromMemory = "memory"
)

// practice labels what fitters commonly do.
func practice(confidence string) circuit.Source {
	return circuit.Source{Title: "common practice, no published source", How: fromMemory, Confidence: confidence}
}

// physics labels what follows from the circuit alone.
var physics = circuit.Source{Title: "Ohm's law and the definition of the ampere-hour", How: fromMemory, Confidence: high}

// The facts of a rig that a plan reads.
var (
	factKind      = rig.Must("trailer.brakes.kind")
	factMagnets   = rig.Must("trailer.brakes.magnets")
	factBraked    = rig.Must("trailer.brakes.braked_axles")
	factPositions = rig.Must("trailer.brakes.axle_positions")
	factVolts     = rig.Must("vehicle.electrical.voltage")
	factStop      = rig.Must("vehicle.electrical.stop_signal")
	factAssisted  = rig.Must("vehicle.electrical.assisted_stability")
	factSocket    = rig.Must("vehicle.connector")
	factPlug      = rig.Must("trailer.connector")
	factAway      = rig.Must("trailer.breakaway.kind")
	factBattery   = rig.Must("trailer.breakaway.battery")
	factParking   = rig.Must("trailer.parking_brake")
	factTare      = rig.Must("trailer.tare")
	factTotal     = rig.Must("trailer.rated.total")
	factApprovals = rig.Must("trailer.approvals")
)

// builder makes one plan.
type builder struct {
	r *rig.Rig
	a *rules.Answer
	q Request
	p *Plan

	kind    string          // of the actuator; empty if not known
	nominal float64         // V; 0 if not known
	braked  int             // braked axles; 0 if not known
	loop    circuit.Circuit // the brake circuit with every conductor, once it is designed
	solved  bool
	least   circuit.Conductor // the smallest of the circuit
	counts  []int             // magnets on each braked axle
}

// NewPlan works out the job for a rig, what the law answers for it, and what the
// fitter told. The rig, the answer and the request are not changed. The answer
// must be that of the same rig.
func NewPlan(r *rig.Rig, a *rules.Answer, q Request) *Plan {
	b := &builder{r: r, a: a, q: q, p: &Plan{
		Jurisdiction: a.Jurisdiction, AsOf: a.AsOf,
		Law: []LawAsk{}, Needs: []Need{}, Findings: []Finding{}, Steps: []Step{}, Missing: []Missing{}, Cautions: []string{},
	}}
	b.law()
	b.electrical()
	b.facts()
	b.design()
	b.protection()
	b.stopSignal()
	b.connector()
	b.breakaway()
	b.needs()
	b.european()
	b.placement()
	b.proof()
	b.steps()
	b.cautions()
	slices.SortStableFunc(b.p.Missing, func(x, y Missing) int {
		if c := strings.Compare(x.Document, y.Document); c != 0 {
			return c
		}
		return strings.Compare(x.Pointer.Pointer, y.Pointer.Pointer)
	})
	return b.p
}

func inRequest(ptr string) Pointer { return Pointer{InRequest, ptr} }

func inRig(id rig.ID) Pointer { return Pointer{InRig, rig.ByID(id).Pointer} }

// miss notes an input that something waits for, and returns its place.
func (b *builder) miss(what string, at Pointer, meaning string) Pointer {
	for i := range b.p.Missing {
		m := &b.p.Missing[i]
		if m.Pointer == at {
			if !slices.Contains(m.For, what) {
				m.For = append(m.For, what)
			}
			return at
		}
	}
	b.p.Missing = append(b.p.Missing, Missing{Pointer: at, Meaning: meaning, For: []string{what}})
	return at
}

func (b *builder) missRig(what string, id rig.ID) Pointer {
	return b.miss(what, inRig(id), rig.ByID(id).Doc)
}

// find adds a finding of the plan.
func (b *builder) find(f Finding) {
	if f.WaitsFor == nil {
		f.WaitsFor = []Pointer{}
	}
	b.p.Findings = append(b.p.Findings, f)
}

// ask is what the law asks on a question; false if it says nothing there.
func (b *builder) ask(question string) (rules.Ask, bool) {
	for _, a := range b.a.Asks {
		if a.Question == question {
			return a, true
		}
	}
	return rules.Ask{}, false
}

// asks reports that the law asks for a thing of yes or no.
func (b *builder) asks(question string) rules.Tri {
	a, ok := b.ask(question)
	switch {
	case !ok:
		return rules.No
	case a.Value == "true":
		return rules.Yes
	case a.Value == "false":
		return rules.No
	}
	return rules.DontKnow
}

// word is a word fact of the rig, empty if it is not known.
func (b *builder) word(id rig.ID) string { return b.r.Get(id).Word }

// ---- law -----------------------------------------------------------------------------------------------------------------

// shown are the parts of the vocabulary that bear on the brakes, in the order
// in which a fitter wants them.
var shown = []string{"service_brakes.", "breakaway.", "parking_brake.", "braking_performance.", "connector."}

// law lists what is asked of the brakes, with the findings and citations behind
// each question.
func (b *builder) law() {
	for _, prefix := range shown {
		var questions []string
		for _, f := range b.a.Findings {
			if strings.HasPrefix(f.Question, prefix) && f.Level != "practice" && f.Status != rules.NotApplicable && !slices.Contains(questions, f.Question) {
				questions = append(questions, f.Question)
			}
		}
		slices.Sort(questions)
		for _, q := range questions {
			b.p.Law = append(b.p.Law, b.lawAsk(q))
		}
	}
}

func (b *builder) lawAsk(question string) LawAsk {
	l := LawAsk{Question: question, Value: "see findings", Status: rules.NotApplicable, Citations: []rules.Citation{}}
	if a, ok := b.ask(question); ok {
		l.Value, l.Permitted = a.Value, a.Permitted
	}
	order := []rules.Status{rules.NotMet, rules.Unknown, rules.Met, rules.NotApplicable}
	var says []string
	for _, f := range b.a.Findings {
		if f.Question != question || f.Level == "practice" || f.Status == rules.NotApplicable {
			continue
		}
		if slices.Index(order, f.Status) < slices.Index(order, l.Status) {
			l.Status = f.Status
		}
		if !slices.Contains(says, f.Summary) {
			says = append(says, f.Summary)
		}
		if !slices.Contains(l.Citations, f.Citation) {
			l.Citations = append(l.Citations, f.Citation)
		}
	}
	l.Says = inWords(l, says)
	return l
}

// inWords tells what is asked in short.
func inWords(l LawAsk, summaries []string) string {
	subject := map[string]string{
		"service_brakes.required": "Service brakes on the trailer", "service_brakes.operable_from_cab": "Brakes that the driver works from the seat",
		"service_brakes.auto_reverse": "Brakes that let the trailer be reversed", "breakaway.required": "Something that acts when the trailer parts",
		"breakaway.battery_indicator": "A display of the breakaway battery at the driver's seat", "breakaway.charged_from_vehicle": "A breakaway battery charged from the vehicle",
		"parking_brake.required": "A parking brake",
	}
	amount := map[string]string{
		"breakaway.hold": "The brakes stay on for at least %s after the trailer parts.", "breakaway.holds_grade": "The breakaway brakes hold on %s.",
		"parking_brake.holds_grade": "The parking brake holds on %s.", "service_brakes.wheels": "Wheels to be braked: %s.",
		"braking_performance.deceleration": "The rig slows by at least %s.", "braking_performance.trailer_deceleration": "The trailer's own brakes slow it by at least %s.",
		"braking_performance.efficiency": "Brake efficiency of at least %s.",
	}
	list := map[string]string{
		"service_brakes.kinds": "Permitted brakes: %s.", "breakaway.any_of": "Permitted for breakaway: %s.", "connector.any_of": "Permitted trailer plugs: %s.",
	}
	switch {
	case l.Value == "true" && subject[l.Question] != "":
		return subject[l.Question] + ": asked for."
	case l.Value == "false" && subject[l.Question] != "":
		return subject[l.Question] + ": not asked for."
	case l.Value == "listed" && list[l.Question] != "":
		return fmt.Sprintf(list[l.Question], strings.ReplaceAll(strings.Join(l.Permitted, ", "), "_", " "))
	case l.Value != "unknown" && amount[l.Question] != "":
		return fmt.Sprintf(amount[l.Question], strings.ReplaceAll(l.Value, "_", " "))
	}
	return strings.Join(summaries, " ")
}

// ---- is anything electrical called for -------------------------------------------------------------------------------------

// electricKinds are the brake kinds that need current.
var electricKinds = []string{"electric", "electric_hydraulic"}

// electrical decides whether the job has an electrical side. Lamps are always
// wired and are not meant.
func (b *builder) electrical() {
	e := &b.p.Electrical
	e.Needed, e.Reason = b.callsFor()
	if e.Needed == rules.No && b.asks("breakaway.battery_indicator") == rules.Yes && b.word(factAway) == "automatic" && b.q.Breakaway.present() {
		e.Needed, e.Reason = rules.Yes, "A breakaway battery is told of, and the law asks for its display at the driver's seat."
	}
}

func (q Battery) present() bool { return q != Battery{} }

func (b *builder) callsFor() (rules.Tri, string) {
	kind, req := b.word(factKind), b.a.Answers.Brakes
	told := b.q.Actuator.Kind
	switch {
	case told == Magnets || told == ElectricHydraulic:
		return rules.Yes, "The brakes are to be worked by " + spaced(told) + "."
	case slices.Contains(electricKinds, kind):
		return rules.Yes, "The trailer has " + spaced(kind) + " brakes, which need a controller, a line and, where asked, a breakaway battery."
	case kind == "":
		b.missRig("electrical", factKind)
		if req.Required == rules.No {
			return rules.DontKnow, "No service brakes are asked for, but it is not known what the trailer has."
		}
		return rules.DontKnow, "It is not known what brakes the trailer has."
	case req.Required == rules.DontKnow:
		return rules.DontKnow, "The law's answer on brakes is open (see its findings), so that it cannot be said that the " + named(kind) + " will do."
	case kind == "none" && req.Required == rules.No:
		return rules.No, "No service brakes are asked for and the trailer has none."
	case kind != "none" && req.Required == rules.No:
		return rules.No, upper(named(kind)) + " work without current, and the law asks for no other."
	}
	// Brakes are asked for. Will those that work without current do?
	for _, question := range []string{"service_brakes.required", "service_brakes.kinds", "service_brakes.operable_from_cab"} {
		switch b.status(question) {
		case rules.NotMet:
			return b.other(req.Permitted)
		case rules.Unknown:
			return rules.DontKnow, "Whether the law accepts the " + named(kind) + " is open: see the findings on " + question + "."
		}
	}
	return rules.No, upper(named(kind)) + " work without current and are accepted here."
}

// other says what follows where the present brakes will not do.
func (b *builder) other(permitted []string) (rules.Tri, string) {
	if b.q.Actuator.Kind == NoActuator {
		return rules.No, "The present brakes are not accepted; the request says that nothing is worked electrically, so that other brakes have to be fitted."
	}
	for _, k := range permitted {
		if !slices.Contains(electricKinds, k) {
			b.miss("electrical", inRequest("/actuator/kind"), "what is to work the new brakes: magnets, electric_hydraulic or none")
			return rules.DontKnow, "The present brakes are not accepted. Permitted are " + spaced(strings.Join(permitted, ", ")) + ": say what is to be fitted."
		}
	}
	if len(permitted) == 0 {
		b.miss("electrical", inRequest("/actuator/kind"), "what is to work the new brakes: magnets, electric_hydraulic or none")
		return rules.DontKnow, "Brakes are asked for that the trailer does not have; the law does not list kinds, so say what is to be fitted."
	}
	return rules.Yes, "The present brakes are not accepted, and all that are permitted need current."
}

// status is the worst finding of law or plate on a question; not applicable if
// there is none.
func (b *builder) status(question string) rules.Status {
	worst := rules.NotApplicable
	for _, l := range b.p.Law {
		if l.Question == question {
			worst = l.Status
		}
	}
	return worst
}

func named(kind string) string {
	if kind == "none" {
		return "trailer without brakes"
	}
	return spaced(kind) + " brakes"
}

// facts settles what several parts of the plan start from.
func (b *builder) facts() {
	b.kind = b.q.Actuator.Kind
	rigKind := map[string]string{"electric": Magnets, "electric_hydraulic": ElectricHydraulic}
	fitted, known := rigKind[b.word(factKind)], b.r.Known(factKind)
	switch {
	case b.kind == "" && fitted != "":
		b.kind = fitted
	case b.kind == "" && b.p.Electrical.Needed == rules.No:
		b.kind = NoActuator
	case known && fitted != "" && b.kind != "" && b.kind != fitted:
		b.find(Finding{
			ID: "actuator.kind", Level: "rating", Status: rules.Unknown, Source: practice(high),
			Summary:  "The rig says " + spaced(b.word(factKind)) + " brakes and the request says " + spaced(b.kind) + ".",
			Remedy:   "Correct one of the two; the circuit waits for it.",
			WaitsFor: []Pointer{inRig(factKind), inRequest("/actuator/kind")},
		})
		b.kind = ""
	}
	if q, ok := b.r.Quantity(factVolts); ok {
		b.nominal = float64(q.Base()) / 1e6
	}
	if v := b.r.Get(factBraked); v.Known {
		b.braked = int(v.Num)
	} else if len(b.q.Wiring.Axles) > 0 {
		b.braked = len(b.q.Wiring.Axles)
	}
}

// positions are the places of the braked axles, counted from the front. Where
// the rig does not list them they are numbered in their own order.
func (b *builder) positions() []int {
	if b.r.Known(factPositions) {
		var at []int
		for _, s := range strings.Fields(b.r.Text(factPositions)) {
			if n, err := strconv.Atoi(s); err == nil {
				at = append(at, n)
			}
		}
		if len(at) == b.braked {
			return slices.Sorted(slices.Values(at))
		}
	}
	at := make([]int, b.braked)
	for i := range at {
		at[i] = i + 1
	}
	return at
}

// parseHold reads a duration of an ask in minutes.
func parseHold(text string) (float64, bool) {
	q, err := quantity.Parse(quantity.Duration, text)
	if err != nil {
		return 0, false
	}
	return float64(q.Base()) / 6e7, true
}

// ---- words ---------------------------------------------------------------------------------------------------------------

func spaced(word string) string { return strings.ReplaceAll(word, "_", " ") }

func upper(s string) string {
	if s == "" {
		return s
	}
	return strings.ToUpper(s[:1]) + s[1:]
}

// figure writes a number for people: three significant digits, no exponent.
func figure(x float64) string {
	return strconv.FormatFloat(circuit.Significant(x, 3), 'f', -1, 64)
}

// enough writes a figure that must be reached: three significant digits, never
// less than it is.
func enough(x float64) string {
	if y := circuit.Significant(x, 3); y >= x*(1-noise) {
		return figure(y)
	}
	step := math.Pow(10, math.Floor(math.Log10(x))-2)
	return figure(x + step/2)
}

// volts, amps and ohms write an amount with its unit.
func volts(x float64) string { return figure(x) + " V" }
func amps(x float64) string  { return figure(x) + " A" }
func ohms(x float64) string  { return figure(x) + " ohm" }

func statusOf(s circuit.Status) rules.Status { return rules.Status(s) }

func join(words []string) string {
	out := ""
	for i, w := range words {
		switch {
		case i == 0:
		case i == len(words)-1:
			out += " and "
		default:
			out += ", "
		}
		out += w
	}
	return out
}

func appendNew[T comparable](all []T, more ...T) []T {
	for _, x := range more {
		if !slices.Contains(all, x) {
			all = append(all, x)
		}
	}
	return all
}
