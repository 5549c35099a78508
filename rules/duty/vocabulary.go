package duty

import (
	"cmp"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"

	"go.yaml.in/yaml/v3"

	"drawgear/rules/expr"
	"drawgear/rules/quantity"
	"drawgear/rules/rig"
)

// Scalar is one value of a document with its place, so that an error inside it
// can point there.
type Scalar struct {
	Text         string
	Line, Column int // of its first character, from 1; 0 if there is none
}

// UnmarshalYAML keeps the text and the place of a scalar.
func (s *Scalar) UnmarshalYAML(n *yaml.Node) error {
	if n.Kind != yaml.ScalarNode {
		return fmt.Errorf("line %d: must be a single value", n.Line)
	}
	// YAML takes !use.commercial for a tag, and nothing would be left of it.
	if n.Style&yaml.TaggedStyle != 0 {
		return fmt.Errorf("line %d: what begins with ! needs quotes", n.Line)
	}
	s.Text, s.Line, s.Column = n.Value, n.Line, n.Column
	if n.Style&(yaml.DoubleQuotedStyle|yaml.SingleQuotedStyle) != 0 {
		s.Column++
	}
	if n.Style&(yaml.LiteralStyle|yaml.FoldedStyle) != 0 {
		s.Line, s.Column = s.Line+1, 1
	}
	return nil
}

// MarshalJSON writes the text, for the canonical form.
func (s Scalar) MarshalJSON() ([]byte, error) { return json.Marshal(s.Text) }

// IsZero reports whether the document left the value out.
func (s Scalar) IsZero() bool { return s.Line == 0 }

// Placed is a true-or-false or whole-number value of a document with its place.
type Placed[T bool | int] struct {
	Value        T
	Line, Column int
}

// UnmarshalYAML keeps the value and its place.
func (v *Placed[T]) UnmarshalYAML(n *yaml.Node) error {
	v.Line, v.Column = n.Line, n.Column
	// The reader would cut 1.5 down to 1.
	if _, whole := any(v.Value).(int); whole && n.ShortTag() != "!!int" {
		return fmt.Errorf("line %d: must be a whole number", n.Line)
	}
	return n.Decode(&v.Value)
}

// MarshalJSON writes the value, for the canonical form.
func (v Placed[T]) MarshalJSON() ([]byte, error) { return json.Marshal(v.Value) }

// Errorf makes an Error at the value.
func (v Placed[T]) Errorf(format string, args ...any) error {
	return &Error{v.Line, v.Column, fmt.Sprintf(format, args...)}
}

// Error is a fault in a document at a place.
type Error struct {
	Line, Column int
	Message      string
}

// Error gives the place and the message.
func (e *Error) Error() string { return fmt.Sprintf("%d:%d: %s", e.Line, e.Column, e.Message) }

// Errorf makes an Error at the scalar.
func (s Scalar) Errorf(format string, args ...any) error {
	return &Error{s.Line, s.Column, fmt.Sprintf(format, args...)}
}

// At moves an expression's own error to its place in the document.
func (s Scalar) At(err error) error {
	var e *expr.Error
	if !errors.As(err, &e) {
		return err
	}
	at := &Error{s.Line + e.Line - 1, e.Column, e.Message}
	if e.Line == 1 {
		at.Column += s.Column - 1
	}
	return at
}

// Oblige is the `oblige` mapping of a rule: the closed vocabulary.
type Oblige struct {
	ServiceBrakes      *ServiceBrakes      `yaml:"service_brakes" json:"service_brakes,omitempty"`
	Breakaway          *Breakaway          `yaml:"breakaway" json:"breakaway,omitempty"`
	ParkingBrake       *ParkingBrake       `yaml:"parking_brake" json:"parking_brake,omitempty"`
	SafetyChains       *SafetyChains       `yaml:"safety_chains" json:"safety_chains,omitempty"`
	Coupling           *Coupling           `yaml:"coupling" json:"coupling,omitempty"`
	PartRating         *PartRating         `yaml:"part_rating" json:"part_rating,omitempty"`
	MassLimit          *MassLimit          `yaml:"mass_limit" json:"mass_limit,omitempty"`
	MassRatio          *MassLimit          `yaml:"mass_ratio" json:"mass_ratio,omitempty"`
	BallLoad           *BallLoad           `yaml:"ball_load" json:"ball_load,omitempty"`
	BrakingPerformance *BrakingPerformance `yaml:"braking_performance" json:"braking_performance,omitempty"`
	Device             *Device             `yaml:"device" json:"device,omitempty"`
	Connector          *Connector          `yaml:"connector" json:"connector,omitempty"`
	Speed              *Speed              `yaml:"speed" json:"speed,omitempty"`
	Notice             *Notice             `yaml:"notice" json:"notice,omitempty"`
}

// ServiceBrakes asks for service brakes on the trailer.
type ServiceBrakes struct {
	Required        *Placed[bool] `yaml:"required" json:"required,omitempty"`
	Kinds           []Scalar      `yaml:"kinds" json:"kinds,omitempty"`
	Wheels          Scalar        `yaml:"wheels" json:"wheels,omitzero"`
	OperableFromCab *Placed[bool] `yaml:"operable_from_cab" json:"operable_from_cab,omitempty"`
	AutoReverse     *Placed[bool] `yaml:"auto_reverse" json:"auto_reverse,omitempty"`
}

// Breakaway asks for what acts when the trailer parts from the vehicle.
type Breakaway struct {
	Required           *Placed[bool] `yaml:"required" json:"required,omitempty"`
	AnyOf              []Scalar      `yaml:"any_of" json:"any_of,omitempty"`
	Hold               Scalar        `yaml:"hold" json:"hold,omitzero"`
	HoldsGrade         Scalar        `yaml:"holds_grade" json:"holds_grade,omitzero"`
	BatteryIndicator   *Placed[bool] `yaml:"battery_indicator" json:"battery_indicator,omitempty"`
	ChargedFromVehicle *Placed[bool] `yaml:"charged_from_vehicle" json:"charged_from_vehicle,omitempty"`
}

// ParkingBrake asks for a parking brake on the trailer.
type ParkingBrake struct {
	Required   *Placed[bool] `yaml:"required" json:"required,omitempty"`
	HoldsGrade Scalar        `yaml:"holds_grade" json:"holds_grade,omitzero"`
}

// SafetyChains asks for chains or cables beside the coupling.
type SafetyChains struct {
	Required         *Placed[bool] `yaml:"required" json:"required,omitempty"`
	Count            *Placed[int]  `yaml:"count" json:"count,omitempty"`
	EachRated        Scalar        `yaml:"each_rated" json:"each_rated,omitzero"`
	EachBreaking     Scalar        `yaml:"each_breaking" json:"each_breaking,omitzero"`
	EachBreakingOver Scalar        `yaml:"each_breaking_over" json:"each_breaking_over,omitzero"`
	TogetherBreaking Scalar        `yaml:"together_breaking" json:"together_breaking,omitzero"`
	Size             Scalar        `yaml:"size" json:"size,omitzero"`
	Crossed          *Placed[bool] `yaml:"crossed" json:"crossed,omitempty"`
}

// Coupling asks for features of the coupling.
type Coupling struct {
	QuickRelease  *Placed[bool] `yaml:"quick_release" json:"quick_release,omitempty"`
	PositiveLock  *Placed[bool] `yaml:"positive_lock" json:"positive_lock,omitempty"`
	SecondaryLock *Placed[bool] `yaml:"secondary_lock" json:"secondary_lock,omitempty"`
	Marked        *Placed[bool] `yaml:"marked" json:"marked,omitempty"`
}

// PartRating asks that the rated mass of parts reach a mass.
type PartRating struct {
	Roles   []Scalar `yaml:"roles" json:"roles"`
	AtLeast Scalar   `yaml:"at_least" json:"at_least"`
}

// MassLimit holds one mass against another.
type MassLimit struct {
	Of       Scalar `yaml:"of" json:"of"`
	AtMost   Scalar `yaml:"at_most" json:"at_most,omitzero"`
	LessThan Scalar `yaml:"less_than" json:"less_than,omitzero"`
	AtLeast  Scalar `yaml:"at_least" json:"at_least,omitzero"`
	MoreThan Scalar `yaml:"more_than" json:"more_than,omitzero"`
}

// BallLoad limits the static load on the coupling.
type BallLoad struct {
	AtLeast Scalar `yaml:"at_least" json:"at_least,omitzero"`
	AtMost  Scalar `yaml:"at_most" json:"at_most,omitzero"`
}

// BrakingPerformance asks for a measured result.
type BrakingPerformance struct {
	Stop                *Stop  `yaml:"stop" json:"stop,omitempty"`
	Deceleration        Scalar `yaml:"deceleration" json:"deceleration,omitzero"`
	TrailerDeceleration Scalar `yaml:"trailer_deceleration" json:"trailer_deceleration,omitzero"`
	Efficiency          Scalar `yaml:"efficiency" json:"efficiency,omitzero"`
}

// Stop is a stopping distance from a speed.
type Stop struct {
	From   Scalar `yaml:"from" json:"from"`
	Within Scalar `yaml:"within" json:"within"`
}

// Device asks for a load-levelling hitch or a sway device.
type Device struct {
	Role     Scalar        `yaml:"role" json:"role"`
	Required *Placed[bool] `yaml:"required" json:"required,omitempty"`
}

// Connector asks for one of several plugs.
type Connector struct {
	AnyOf []Scalar `yaml:"any_of" json:"any_of"`
}

// Speed limits the speed of the rig.
type Speed struct {
	AtMost Scalar `yaml:"at_most" json:"at_most"`
}

// Notice tells something that no field of the rig decides.
type Notice struct {
	About Scalar `yaml:"about" json:"about"`
}

// NoticeSubjects are what a notice may be about.
var NoticeSubjects = []string{"inspection", "licence", "registration", "lamps", "fitting", "condition", "other"}

// wheelWords from strictest to least.
var wheelWords = []string{"all", "half", "rear_axle", "one_axle"}

func fact(path string) rig.ID { return rig.Must(path) }

var (
	fitted    = fact("trailer.brakes.fitted")
	brakeKind = fact("trailer.brakes.kind")
	awayKind  = fact("trailer.breakaway.kind")

	ifBraked    = &guard{id: fitted, none: "the trailer has no service brakes to judge"}
	ifAutomatic = &guard{id: awayKind, word: "automatic", none: "there is no automatic breakaway to judge"}
	ifParking   = &guard{id: fact("trailer.parking_brake"), none: "there is no parking brake to judge"}
)

// compiler gathers duties and the first fault.
type compiler struct {
	duties []Duty
	err    error
}

// Compile turns an obligation into its duties, in the order of the vocabulary.
// A notice has none.
func (o *Oblige) Compile() ([]Duty, error) {
	c := &compiler{}
	c.section("service_brakes", o.ServiceBrakes != nil, func() { c.serviceBrakes(o.ServiceBrakes) })
	c.section("breakaway", o.Breakaway != nil, func() { c.breakaway(o.Breakaway) })
	c.section("parking_brake", o.ParkingBrake != nil, func() { c.parkingBrake(o.ParkingBrake) })
	c.section("safety_chains", o.SafetyChains != nil, func() { c.safetyChains(o.SafetyChains) })
	c.section("coupling", o.Coupling != nil, func() { c.coupling(o.Coupling) })
	c.section("part_rating", o.PartRating != nil, func() { c.partRating(o.PartRating) })
	c.section("mass_limit", o.MassLimit != nil, func() { c.massLimit("mass_limit", o.MassLimit) })
	c.section("mass_ratio", o.MassRatio != nil, func() { c.massLimit("mass_ratio", o.MassRatio) })
	c.section("ball_load", o.BallLoad != nil, func() { c.ballLoad(o.BallLoad) })
	c.section("braking_performance", o.BrakingPerformance != nil, func() { c.performance(o.BrakingPerformance) })
	c.section("device", o.Device != nil, func() { c.device(o.Device) })
	c.section("connector", o.Connector != nil, func() { c.connector(o.Connector) })
	c.section("speed", o.Speed != nil, func() { c.speed(o.Speed) })
	if o.Notice != nil && c.needed("notice: about", o.Notice.About, Scalar{}) {
		c.word(o.Notice.About, NoticeSubjects)
	}
	return c.duties, c.err
}

// section compiles one part of the obligation, which must ask something.
func (c *compiler) section(name string, present bool, compile func()) {
	if !present {
		return
	}
	before := len(c.duties)
	compile()
	if len(c.duties) == before {
		c.fail(fmt.Errorf("%s: nothing is asked", name))
	}
}

// needed refuses a value that was left out, at the place of its neighbour if
// that is there.
func (c *compiler) needed(name string, s, near Scalar) bool {
	switch {
	case !s.IsZero():
		return true
	case !near.IsZero():
		c.fail(near.Errorf("%s is missing", name))
	default:
		c.fail(fmt.Errorf("%s is missing", name))
	}
	return false
}

func (c *compiler) connector(o *Connector) {
	words := c.words("connector: any_of", o.AnyOf, rig.Connectors)
	c.add(oneOf("connector.any_of", fact("trailer.connector"), words, "Trailer plug", "Fit one of "+list(words)+".", nil))
}

func (c *compiler) speed(o *Speed) {
	if !c.needed("speed: at_most", o.AtMost, Scalar{}) {
		return
	}
	q := c.quantity(o.AtMost, quantity.Speed)
	d := measured("speed.at_most", MergeLeast, fact("use.speed"), "the speed", atMost, q, "Drive no faster than "+q.Text()+" with this trailer.", nil)
	d.Conduct = true
	c.add(d)
}

func (c *compiler) add(d Duty) {
	c.duties = append(c.duties, d)
}

func (c *compiler) fail(err error) {
	if c.err == nil {
		c.err = err
	}
}

func (c *compiler) quantity(s Scalar, d quantity.Dimension) quantity.Quantity {
	q, err := quantity.Parse(d, s.Text)
	if err != nil {
		c.fail(s.Errorf("%v", err))
	}
	return q
}

func (c *compiler) amount(s Scalar) *expr.Program {
	p, err := expr.CompileAmount(s.Text, quantity.Mass)
	if err != nil {
		c.fail(s.At(err))
		// A harmless stand-in lets the rest of the document be checked too.
		p, _ = expr.CompileAmount("kg(0)", quantity.Mass)
	}
	return p
}

func (c *compiler) word(s Scalar, known []string) string {
	if !slices.Contains(known, s.Text) {
		c.fail(s.Errorf("%q is not one of %s", s.Text, strings.Join(known, ", ")))
	}
	return s.Text
}

func (c *compiler) words(name string, ss []Scalar, known []string) []string {
	if len(ss) == 0 {
		c.fail(fmt.Errorf("%s: the list must not be empty", name))
	}
	out := make([]string, len(ss))
	for i, s := range ss {
		out[i] = c.word(s, known)
	}
	return out
}

// onlyTrue refuses `false` for a feature that can only be asked for.
func (c *compiler) onlyTrue(b *Placed[bool], key string) bool {
	if b != nil && !b.Value {
		c.fail(b.Errorf("%s can only be true: leave it out where it is not asked", key))
	}
	return b != nil && b.Value
}

func (c *compiler) serviceBrakes(o *ServiceBrakes) {
	if o.Required != nil {
		if o.Required.Value {
			c.add(flag("service_brakes.required", fitted, "The trailer has service brakes", "The trailer has no service brakes",
				"Fit service brakes of a permitted kind.", nil))
		} else {
			c.add(relief("service_brakes.required", "No service brakes are asked for."))
		}
	}
	if o.Kinds != nil {
		kinds := c.words("service_brakes: kinds", o.Kinds, rig.BrakeKinds[1:])
		c.add(oneOf("service_brakes.kinds", brakeKind, kinds, "Brake kind", "Change to one of "+list(kinds)+".", ifBraked))
	}
	if !o.Wheels.IsZero() {
		c.add(wheels(c.word(o.Wheels, wheelWords)))
	}
	if c.onlyTrue(o.OperableFromCab, "operable_from_cab") {
		c.add(flag("service_brakes.operable_from_cab", fact("trailer.brakes.operable_from_cab"),
			"The driver can work the trailer brakes from the seat", "The driver cannot work the trailer brakes from the seat",
			"Fit brakes that the driver controls from the driving seat, with the control mounted there.", ifBraked))
	}
	if c.onlyTrue(o.AutoReverse, "auto_reverse") {
		c.add(flag("service_brakes.auto_reverse", fact("trailer.brakes.auto_reverse"),
			"The trailer can be reversed without a lasting brake force", "The overrun brake hinders reversing",
			"Fit brakes with automatic reversing.", ifBraked))
	}
}

func wheels(word string) Duty {
	braked, axles := fact("trailer.brakes.braked_axles"), fact("trailer.axle_count")
	all, rear := fact("trailer.brakes.all_wheels"), fact("trailer.brakes.rear_axle")
	d := Demand{Merge: MergeWheels, Words: []string{word}}
	const q = "service_brakes.wheels"
	switch word {
	case "all":
		return asks(q, d, func(c *Case) Result {
			if res, stop := ifBraked.stop(c); stop {
				return res
			}
			v, known := c.Bool(all)
			if !known {
				return c.unknown("Every wheel must be braked; how many axles are is not known.", braked, axles)
			}
			res := Result{Status: Met, Summary: c.say("All wheels are braked: ", c.Text(braked), " of ", c.Text(axles), " axles."), Inputs: c.inputs(braked, axles), Limit: c.count(axles, " axles")}
			if !v {
				res.Status, res.Remedy = NotMet, "Fit brakes to the wheels of every axle."
				res.Summary = c.say("Every wheel must be braked, and only ", c.Text(braked), " of ", c.Text(axles), " axles are.")
			}
			return res
		}, ifBraked.with(braked, axles)...)
	case "half":
		return asks(q, d, func(c *Case) Result {
			if res, stop := ifBraked.stop(c); stop {
				return res
			}
			b, n := c.Get(braked), c.Get(axles)
			if !b.Known || !n.Known {
				return c.unknown("At least half the wheels must be braked; how many axles are is not known.", braked, axles)
			}
			return countResult(c, 2*b.Num >= n.Num, c.say(c.Text(braked), " of ", c.Text(axles), " axles are braked; at least half the wheels must be."), "Fit brakes to more axles.", braked, axles)
		}, ifBraked.with(braked, axles)...)
	case "rear_axle":
		return flag(q, rear, "The rear axle is braked", "The rear axle is not braked", "Fit brakes to both wheels of the rear axle.", ifBraked).demanding(d)
	default:
		return asks(q, d, func(c *Case) Result {
			if res, stop := ifBraked.stop(c); stop {
				return res
			}
			b := c.Get(braked)
			if !b.Known {
				return c.unknown("The wheels of at least one axle must be braked; how many axles are is not known.", braked)
			}
			return countResult(c, b.Num >= 1, c.say("Braked axles: ", c.Text(braked), "; at least one is asked."), "Fit brakes to the wheels of one axle.", braked)
		}, ifBraked.with(braked)...)
	}
}

// count is a limit that is a number of things.
func (c *Case) count(id rig.ID, things string) string {
	if c.Brief {
		return ""
	}
	return c.Join(c.Text(id), things)
}

func (d Duty) demanding(x Demand) Duty {
	d.Demand = x
	return d
}

func countResult(c *Case, ok bool, summary, remedy string, ids ...rig.ID) Result {
	res := Result{Status: Met, Summary: summary, Inputs: c.inputs(ids...)}
	if !ok {
		res.Status, res.Remedy = NotMet, remedy
	}
	return res
}

func (c *compiler) breakaway(o *Breakaway) {
	switch {
	case o.Required != nil && !o.Required.Value:
		if o.AnyOf != nil {
			c.fail(o.Required.Errorf("breakaway: required is false, so any_of cannot be asked"))
		}
		c.add(relief("breakaway.required", "No breakaway device is asked for."))
	case o.AnyOf != nil || o.Required != nil:
		words := rig.BreakawayKinds[1:]
		if o.AnyOf != nil {
			words = c.words("breakaway: any_of", o.AnyOf, words)
		}
		c.add(present(words))
		c.add(oneOf("breakaway.any_of", awayKind, words, "Breakaway", "Fit "+strings.Join(spacedAll(words), " or ")+".", nil))
	}
	if !o.Hold.IsZero() {
		q := c.quantity(o.Hold, quantity.Duration)
		c.add(measured("breakaway.hold", MergeMost, fact("trailer.breakaway.hold"), "the time the breakaway brake holds", atLeast, q,
			"Bring the breakaway supply up to "+q.Text()+" and prove it by test.", ifAutomatic))
	}
	if !o.HoldsGrade.IsZero() {
		q := c.quantity(o.HoldsGrade, quantity.Grade)
		c.add(measured("breakaway.holds_grade", MergeMost, fact("trailer.breakaway.holds_grade"), "the grade on which the breakaway brake holds", atLeast, q,
			"Prove that the breakaway brake holds the trailer on "+q.Text()+".", ifAutomatic))
	}
	if o.BatteryIndicator != nil {
		if o.BatteryIndicator.Value {
			c.add(flag("breakaway.battery_indicator", fact("trailer.breakaway.battery_indicator"),
				"The breakaway battery shows its state at the driver's seat", "The breakaway battery does not show its state at the driver's seat",
				"Fit a warning or display for the breakaway battery at the driver's seat.", ifAutomatic))
		} else {
			c.add(relief("breakaway.battery_indicator", "No battery indicator at the driver's seat is asked for."))
		}
	}
	if o.ChargedFromVehicle != nil {
		if o.ChargedFromVehicle.Value {
			c.add(flag("breakaway.charged_from_vehicle", fact("trailer.breakaway.charged_from_vehicle"),
				"The towing vehicle keeps the breakaway battery charged", "The towing vehicle does not charge the breakaway battery",
				"Give the breakaway battery a charge feed from the towing vehicle.", ifAutomatic))
		} else {
			c.add(relief("breakaway.charged_from_vehicle", "No charge feed from the vehicle is asked for."))
		}
	}
}

// present asks for something that acts on separation, whatever the kind.
func present(permitted []string) Duty {
	return asks("breakaway.required", Demand{Merge: MergeAny, Bool: true}, func(c *Case) Result {
		v := c.Get(awayKind)
		if !v.Known {
			return c.unknown("It is not known what acts if the trailer parts from the vehicle.", awayKind)
		}
		if v.Word == "none" {
			return Result{Status: NotMet, Summary: "Nothing acts if the trailer parts from the vehicle.", Inputs: c.inputs(awayKind), Remedy: "Fit " + strings.Join(spacedAll(permitted), " or ") + "."}
		}
		return Result{Status: Met, Summary: c.say("There is ", article(spaced(v.Word)), " for separation."), Inputs: c.inputs(awayKind)}
	}, awayKind)
}

func article(s string) string {
	if strings.ContainsRune("aeiou", rune(s[0])) {
		return "an " + s + " breakaway"
	}
	return "a " + s
}

func spacedAll(words []string) []string {
	out := make([]string, len(words))
	for i, w := range words {
		out[i] = spaced(w)
		if w == "automatic" {
			out[i] = "an automatic breakaway"
		}
		if w == "secondary_coupling" {
			out[i] = "a secondary coupling"
		}
	}
	return out
}

func (c *compiler) parkingBrake(o *ParkingBrake) {
	id := fact("trailer.parking_brake")
	if o.Required != nil {
		if o.Required.Value {
			c.add(flag("parking_brake.required", id, "The trailer has a parking brake", "The trailer has no parking brake", "Fit a parking brake.", nil))
		} else {
			c.add(relief("parking_brake.required", "No parking brake is asked for."))
		}
	}
	if !o.HoldsGrade.IsZero() {
		q := c.quantity(o.HoldsGrade, quantity.Grade)
		c.add(measured("parking_brake.holds_grade", MergeMost, fact("trailer.parking_brake_grade"), "the grade on which the parking brake holds", atLeast, q,
			"Prove that the parking brake holds the laden trailer on "+q.Text()+".", ifParking))
	}
}

func (c *compiler) coupling(o *Coupling) {
	for _, x := range []struct {
		b                *Placed[bool]
		key, yes, no, do string
	}{
		{o.QuickRelease, "quick_release", "The coupling is worked without tools", "The coupling needs tools", "Fit a quick-release coupling."},
		{o.PositiveLock, "positive_lock", "The coupling has a positive lock", "The coupling has no positive lock", "Fit a coupling with a positive lock."},
		{o.SecondaryLock, "secondary_lock", "A second means keeps the coupling locked", "No second means keeps the coupling locked", "Fit a coupling with an independent second lock."},
		{o.Marked, "marked", "The coupling carries its mark and rating", "The coupling is not marked", "Fit a coupling that carries its maker's mark and rating."},
	} {
		if c.onlyTrue(x.b, x.key) {
			c.add(flag("coupling."+x.key, fact("trailer.coupling."+x.key), x.yes, x.no, x.do, nil))
		}
	}
}

func (c *compiler) massLimit(question string, o *MassLimit) {
	if !c.needed(question+": of", o.Of, cmp.Or(o.AtMost, o.LessThan, o.AtLeast, o.MoreThan)) {
		return
	}
	of := c.amount(o.Of)
	n := 0
	for _, x := range []struct {
		s     Scalar
		rel   relation
		key   string
		merge Merge
	}{
		{o.AtMost, atMost, "at_most", MergeNone},
		{o.LessThan, lessThan, "less_than", MergeNone},
		{o.AtLeast, atLeast, "at_least", MergeNone},
		{o.MoreThan, moreThan, "more_than", MergeNone},
	} {
		if x.s.IsZero() {
			continue
		}
		n++
		c.add(compareAmounts(question+"."+x.key, of, x.rel, c.amount(x.s)))
	}
	if n == 0 {
		c.fail(o.Of.Errorf("%s: a limit is missing (at_most, less_than, at_least or more_than)", question))
	}
}

func compareAmounts(question string, of *expr.Program, rel relation, limit *expr.Program) Duty {
	reads := slices.Concat(of.Facts(), limit.Facts())
	d := asks(question, Demand{Merge: MergeNone}, func(c *Case) Result {
		what := c.formula(of)
		v, known := of.Value(c.Rig)
		lim, limKnown := limit.Value(c.Rig)
		if !known || !limKnown {
			ids := append(of.Missing(c.Rig), limit.Missing(c.Rig)...)
			return c.unknown(c.upper(what, " cannot be compared with its limit, ", c.formula(limit), "."), ids...)
		}
		v, lim = shownAs(c, of, v), shownAs(c, limit, lim)
		res := c.judge(what, v, lim, rel, c.formula(limit), "", c.inputs(reads...))
		if res.Status == NotMet && !c.Brief {
			res.Remedy = massRemedy(rel, what, lim)
		}
		return res
	})
	d.programs = []*expr.Program{of, limit}
	return d
}

// shownAs prints a computed amount in the unit in which its first fact was
// entered, unless the law's own text sets one.
func shownAs(c *Case, p *expr.Program, v expr.Value) expr.Value {
	if p.Sets() {
		return v
	}
	for _, id := range p.Facts() {
		if q, ok := c.Quantity(id); ok && q.Dimension() == v.Unit.Dimension() {
			return v.In(q.Unit())
		}
	}
	return v
}

func massRemedy(rel relation, what string, lim expr.Value) string {
	if rel == atMost || rel == lessThan {
		return fmt.Sprintf("Bring %s down to %s, or change the part or vehicle that sets the limit.", what, lim.Text())
	}
	return fmt.Sprintf("Bring %s up to %s.", what, lim.Text())
}

func (c *compiler) ballLoad(o *BallLoad) {
	id := fact("trailer.laden.ball")
	if !o.AtLeast.IsZero() {
		c.add(limits("ball_load.at_least", MergeMost, id, "the load on the coupling", atLeast, c.amount(o.AtLeast), "Move load forward in the trailer.", nil))
	}
	if !o.AtMost.IsZero() {
		c.add(limits("ball_load.at_most", MergeLeast, id, "the load on the coupling", atMost, c.amount(o.AtMost), "Move load back in the trailer, or fit parts rated for this load.", nil))
	}
}

func (c *compiler) performance(o *BrakingPerformance) {
	if o.Stop != nil && c.needed("braking_performance: stop: from", o.Stop.From, o.Stop.Within) && c.needed("braking_performance: stop: within", o.Stop.Within, o.Stop.From) {
		c.add(stop(c.quantity(o.Stop.From, quantity.Speed), c.quantity(o.Stop.Within, quantity.Length)))
	}
	for _, x := range []struct {
		s         Scalar
		key, path string
		dim       quantity.Dimension
		what      string
	}{
		{o.Deceleration, "deceleration", "evidence.deceleration", quantity.Acceleration, "the measured deceleration of the rig"},
		{o.TrailerDeceleration, "trailer_deceleration", "evidence.trailer_deceleration", quantity.Acceleration, "the measured deceleration by the trailer's brakes"},
		{o.Efficiency, "efficiency", "evidence.efficiency", quantity.Percentage, "the measured brake efficiency"},
	} {
		if !x.s.IsZero() {
			q := c.quantity(x.s, x.dim)
			c.add(measured("braking_performance."+x.key, MergeMost, fact(x.path), x.what, atLeast, q, "Adjust or repair the brakes and test again.", nil))
		}
	}
}

// stop asks for a stop from a speed within a distance. A test from the same or
// a higher speed in no more than the distance proves it; a longer distance from
// the same or a lower speed refutes it; anything else shows nothing.
func stop(from quantity.Quantity, within quantity.Quantity) Duty {
	speed, dist := fact("evidence.stopping.from"), fact("evidence.stopping.within")
	text := fmt.Sprintf("A stop from %s within %s", from.Text(), within.Text())
	return asks("braking_performance.stop", Demand{Merge: MergeNone}, func(c *Case) Result {
		v, okv := c.Quantity(speed)
		d, okd := c.Quantity(dist)
		if !okv || !okd {
			return c.unknown(text+" is asked; only a measured stop decides it.", speed, dist)
		}
		in := c.inputs(speed, dist)
		far := expr.Of(d).Cmp(expr.Of(within))
		fast := expr.Of(v).Cmp(expr.Of(from))
		switch {
		case fast >= 0 && far <= 0:
			return Result{Status: Met, Summary: fmt.Sprintf("%s is asked; from %s it took %s.", text, v.Text(), d.Text()), Inputs: in, Limit: within.Text(), Margin: atMost.margin(expr.Of(d), expr.Of(within)).Text()}
		case fast <= 0 && far > 0:
			return Result{Status: NotMet, Summary: fmt.Sprintf("%s is asked; from %s it took %s.", text, v.Text(), d.Text()), Inputs: in, Limit: within.Text(), Margin: atMost.margin(expr.Of(d), expr.Of(within)).Text(), Remedy: "Adjust or repair the brakes, or brake more wheels, and test again."}
		default:
			return Result{Status: Unknown, Summary: fmt.Sprintf("%s is asked; a stop from %s in %s does not show it.", text, v.Text(), d.Text()), Inputs: in, Needs: appendNeed(nil, c.Rig, speed)}
		}
	}, speed, dist)
}
