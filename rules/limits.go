package rules

import (
	"cmp"
	"fmt"
	"math/big"
	"math/bits"
	"slices"
	"strings"

	"drawgear/rules/quantity"
	"drawgear/rules/rig"
)

// Limits says how heavy the trailer of a rig may be: with the brakes it has,
// and with each other arrangement of brakes that the law permits; and, for a rig
// that does not comply, what would have to change.
type Limits struct {
	Jurisdiction string       `json:"jurisdiction"`
	AsOf         string       `json:"as_of"`
	Verdict      Verdict      `json:"verdict"` // on the rig as it stands
	Loading      Loading      `json:"loading"`
	Today        Limit        `json:"today"`        // with the brakes that the rig has
	Arrangements []Limit      `json:"arrangements"` // with others; what asks for more and gains nothing is left out
	Changes      []ChangeSet  `json:"changes"`      // each makes a rig that does not comply comply; what a workshop does first comes first
	Rulesets     []RulesetRef `json:"rulesets"`
	Sources      []Source     `json:"sources"`
	Cautions     []string     `json:"cautions"`
}

// Loading says how the masses of the trailer were taken to move together. What
// moves is trailer.laden.total. What its axles carry is that less the load on
// the coupling. Plates that the rig gives stand still and bind; a trailer
// without any is taken to be plated for just what it then weighs.
type Loading struct {
	Ball   string `json:"ball"`            // share, fixed or unknown
	Share  string `json:"share,omitempty"` // of the laden total that rests on the coupling, as a fraction
	Fixed  string `json:"fixed,omitempty"` // the load on the coupling, whatever the trailer weighs
	Plates string `json:"plates"`          // fixed: as given; as_laden: none is given, and each is what the trailer weighs
	Step   string `json:"step"`            // the limits are exact to this mass, the base unit of mass
	Text   string `json:"text"`
}

// LimitStatus says how far a limit could be worked out.
type LimitStatus string

// The statuses of a limit.
const (
	Solved    LimitStatus = "solved"    // there is a heaviest trailer for which the verdict is compliant
	Unbounded LimitStatus = "unbounded" // compliant up to the largest mass that a rig can have
	None      LimitStatus = "none"      // no mass makes the verdict other than non-compliant
	Open      LimitStatus = "unknown"   // compliant for no mass, because inputs are missing or the law held does not say
)

// Limit is the heaviest trailer under one arrangement of brakes. Heaviest is the
// upper end of the lowest run of masses with the verdict: everything lighter,
// down to where that run begins, has it too. Decided is false where no mass is
// found compliant and Heaviest is only where something is first known to be not
// met: it then is no limit to load to, since what it waits for may lower it.
type Limit struct {
	Brakes       *Arrangement `json:"brakes,omitempty"` // none: as the rig has them
	Status       LimitStatus  `json:"status"`
	Decided      bool         `json:"decided"`
	Heaviest     string       `json:"heaviest,omitempty"` // trailer.laden.total
	Axles        string       `json:"axles,omitempty"`    // trailer.laden.axles then
	Ball         string       `json:"ball,omitempty"`     // trailer.laden.ball then
	Binding      []Binding    `json:"binding"`            // what is no longer met one step above; for none, what is not met at the lightest
	Next         *NextLimit   `json:"next,omitempty"`     // where the limit would be if all of Binding were lifted; none if nothing else binds
	VerdictAt    Verdict      `json:"verdict_at,omitempty"`
	Above        string       `json:"above,omitempty"` // one step heavier
	VerdictAbove Verdict      `json:"verdict_above,omitempty"`
	Beyond       *Limit       `json:"beyond,omitempty"` // where it is not known whether a heavier trailer complies: up to where nothing is known to be against it; never decided
	Regions      []MassRegion `json:"regions"`          // the verdict over all masses, lightest first
	Connected    bool         `json:"connected"`
	Asks         []Ask        `json:"asks"`      // what is asked of the brakes of that trailer
	WaitsFor     []string     `json:"waits_for"` // pointers without which it is not decided
	NotCovered   []string     `json:"not_covered"`
	Cautions     []string     `json:"cautions"`
}

// MassRegion is a run of masses of the trailer with one verdict, both ends
// included.
type MassRegion struct {
	From    string  `json:"from"`
	To      string  `json:"to,omitempty"` // left out for the largest mass that a rig can have
	Verdict Verdict `json:"verdict"`
}

// Binding is what stops a trailer from being heavier.
type Binding struct {
	Finding  string    `json:"finding,omitempty"` // id; none where the law held ceases to cover a question
	Rule     string    `json:"rule,omitempty"`
	Question string    `json:"question"`
	Level    string    `json:"level,omitempty"`
	Becomes  string    `json:"becomes"` // not_met, unknown or not_covered
	Says     string    `json:"says,omitempty"`
	Limit    string    `json:"limit,omitempty"`
	Remedy   string    `json:"remedy,omitempty"`
	Parts    []string  `json:"parts,omitempty"` // pointers of the ratings that bind
	Citation *Citation `json:"citation,omitempty"`
	WaitsFor []string  `json:"waits_for,omitempty"`
}

// NextLimit is the limit that follows once what binds is lifted.
type NextLimit struct {
	Heaviest string    `json:"heaviest"`
	Binding  []Binding `json:"binding"`
}

// loads are the facts that move with the mass of the trailer.
var (
	ladenTotal, ladenAxles, ladenBall = rig.Must("trailer.laden.total"), rig.Must("trailer.laden.axles"), rig.Must("trailer.laden.ball")
	ratedTotal, ratedAxles, ratedBall = rig.Must("trailer.rated.total"), rig.Must("trailer.rated.axles"), rig.Must("trailer.rated.ball")
	tare                              = rig.Must("trailer.tare")
)

// loading is Loading in numbers.
type loading struct {
	step   int64 // base units; a share of it is whole
	ball   int64 // on the coupling, of each step
	fixed  quantity.Quantity
	known  bool
	plates bool // follow the load
	unit   quantity.Unit
}

// finestShare bounds the terms of the fraction that rests on the coupling. One
// with larger terms is taken as the nearest that has none: on 100 t the two
// differ by less than a gram.
const finestShare = 1_000_000_000

// Balance says how the load on the coupling goes with the mass of the trailer,
// where the figures of the rig are not to say it. The zero Balance leaves it to
// them.
type Balance struct {
	Fixed bool              // it stays what the rig gives, whatever the trailer weighs
	Share quantity.Quantity // the percentage of the laden total that rests on the coupling, over 0 and up to 100 %
}

// loadingOf reads from a rig how its masses move together: in proportion where
// both the laden total and the load on the coupling are known, with the load on
// the coupling fixed where only that is.
func loadingOf(r *rig.Rig, bal Balance) (loading, error) {
	l := loading{step: 1, unit: quantity.Mass.BaseUnit(), plates: !r.Known(ratedTotal) && !r.Known(ratedAxles)}
	total, hasTotal := r.Quantity(ladenTotal)
	ball, hasBall := r.Quantity(ladenBall)
	if hasTotal {
		l.unit = total.Unit()
	}
	switch whole := quantity.MustParse(quantity.Percentage, "100 %").Base(); {
	case !bal.Share.IsZero():
		if x := bal.Share; x.Dimension() != quantity.Percentage || x.Base() <= 0 || x.Base() > whole {
			return l, fmt.Errorf("the share on the coupling must be over 0 %% and up to 100 %%, not %s", x)
		}
		l.ball, l.step = nearestFraction(bal.Share.Base(), whole, finestShare)
		l.known = true
	case hasTotal && hasBall && total.Base() > 0 && ball.Base() > 0 && !bal.Fixed:
		l.ball, l.step = nearestFraction(ball.Base(), total.Base(), finestShare)
		l.known = true
	case hasBall:
		l.fixed, l.known = ball, true
	}
	return l, nil
}

// nearestFraction is the last convergent of num/den, which is at most 1, whose
// denominator is at most most; num/den in lowest terms if that is small enough.
func nearestFraction(num, den, most int64) (int64, int64) {
	p0, q0, p1, q1 := int64(0), int64(1), int64(1), int64(0)
	for a, b := num, den; b != 0; a, b = b, a%b {
		k := a / b
		if q0 > 0 && q1 > 0 && k > (most-q0)/q1 {
			break
		}
		p0, q0, p1, q1 = p1, q1, k*p1+p0, k*q1+q0
	}
	return p1, q1
}

// about tells it.
func (l loading) about() Loading {
	out := Loading{Ball: "unknown", Plates: "fixed", Step: massText(1, quantity.Mass.BaseUnit())}
	text := "The load on the coupling is not known, so that what the axles carry is not either."
	switch {
	case l.known && !l.fixed.IsZero():
		out.Ball, out.Fixed = "fixed", l.fixed.String()
		text = "The load on the coupling stays " + out.Fixed + "; the axles carry the rest."
	case l.known:
		out.Ball, out.Share = "share", fmt.Sprintf("%d/%d", l.ball, l.step)
		percent := new(big.Rat).Mul(big.NewRat(l.ball, l.step), big.NewRat(100, 1)).FloatString(2)
		text = "The share of the trailer that rests on the coupling stays as it is, about " + percent + " %; the axles carry the rest."
	}
	if l.plates {
		out.Plates = "as_laden"
		text += " No plated mass is given, so that the trailer is taken to be plated for just what it weighs."
	} else {
		text += " The plates given stand, and bind."
	}
	out.Text = text
	return out
}

// settings are the figures of a trailer that weighs so much, in base units.
func (l loading) settings(base int64) []setting {
	out := []setting{forget(ladenAxles), amountOf(ladenTotal, quantity.New(base, l.unit))}
	if l.known {
		out = append(out, amountOf(ladenBall, l.onBall(base)))
	}
	return out
}

// onBall is the load on the coupling of a trailer that weighs so much: exact in
// whole steps, else to the nearest base unit.
func (l loading) onBall(base int64) quantity.Quantity {
	if !l.fixed.IsZero() {
		return l.fixed
	}
	high, low := bits.Mul64(uint64(base), uint64(l.ball))
	low, carry := bits.Add64(low, uint64(l.step/2), 0)
	n, _ := bits.Div64(high+carry, low, uint64(l.step)) // a share is at most one
	return quantity.New(int64(n), l.unit)
}

// plated are the plates of a trailer that has none, made for what it weighs.
func (l loading) plated(r *rig.Rig, base int64) []setting {
	out := []setting{amountOf(ratedTotal, quantity.New(base, l.unit))}
	if l.known && !r.Known(ratedBall) {
		out = append(out, amountOf(ratedBall, l.onBall(base)))
	}
	return out
}

// lightest is what the trailer cannot be lighter than, in base units. What
// weighs nothing is no trailer.
func (l loading) lightest(r *rig.Rig, plates bool) int64 {
	least := max(1, l.fixed.Base())
	floor := []rig.ID{tare}
	if plates {
		floor = append(floor, ratedBall)
	}
	for _, id := range floor {
		if q, known := r.Quantity(id); known {
			least = max(least, q.Base())
		}
	}
	return least
}

// track lays out the masses of the trailer of a rig, from what it cannot be
// lighter than up to the largest mass that a rig can have.
func (l loading) track(p *plan, r *rig.Rig, day rig.Day, plates bool) (*track, error) {
	least := l.lightest(r, plates)
	t := &track{plan: p, day: day, unit: l.unit, least: least, step: l.step, lo: (least + l.step - 1) / l.step, hi: quantity.Mass.Max() / l.step}
	t.at = func(base int64) (*rig.Rig, error) {
		list := l.settings(base)
		if plates {
			list = append(list, l.plated(r, base)...)
		}
		return r.With(func(d *rig.Draft) { apply(d, list) })
	}
	return t, t.lay()
}

// Limits works out how heavy the trailer may be, from the boundaries of the
// rules themselves. The mass that the rig gives for the trailer as it is laden
// now counts only for the share that rests on the coupling and for Verdict and
// Changes. The error is *UnknownJurisdiction if no ruleset serves the place, or
// says that the rig cannot be loaded at all.
func (b *Book) Limits(r *rig.Rig, day rig.Day) (*Limits, error) {
	return b.LimitsWith(r, day, Balance{})
}

// LimitsWith is Limits for a trailer whose load is balanced as said.
func (b *Book) LimitsWith(r *rig.Rig, day rig.Day, balance Balance) (*Limits, error) {
	p, err := b.planOn(r.Jurisdiction, day)
	if err != nil {
		return nil, err
	}
	l, err := loadingOf(r, balance)
	if err != nil {
		return nil, err
	}
	now := p.assess(r, day)
	out := &Limits{
		Jurisdiction: r.Jurisdiction, AsOf: day.String(), Verdict: now.Verdict, Loading: l.about(),
		Arrangements: []Limit{}, Changes: []ChangeSet{}, Rulesets: now.Rulesets, Sources: now.Sources, Cautions: now.Cautions,
	}
	s := &solver{plan: p, day: day, loading: l}
	today, err := s.solve(r, nil)
	if err != nil {
		return nil, fmt.Errorf("with the brakes as they are: %w", err)
	}
	out.Today = today.Limit
	if out.Arrangements, err = s.arrangements(r); err != nil {
		return nil, err
	}
	if now.Verdict == NonCompliant {
		var whole bool
		if out.Changes, whole, err = s.changes(r); err != nil {
			return nil, fmt.Errorf("search for changes: %w", err)
		}
		switch {
		case !whole:
			out.Cautions = append(out.Cautions, "More changes could be combined than were tried; other sets may serve as well.")
		case len(out.Changes) == 0:
			out.Cautions = append(out.Cautions, "No change to load, parts or brakes of this rig was found that would make it comply.")
		}
	}
	if l.plates {
		out.Cautions = append(out.Cautions, "No plated mass was given. The limits hold for a trailer plated for just that mass, and for no other.")
	}
	return out, nil
}

// solver solves one rig after another under one law.
type solver struct {
	plan    *plan
	day     rig.Day
	loading loading
}

// solution is a limit with where it lies.
type solution struct {
	Limit
	track *track
	list  []stretch
	good  func(Verdict) bool // what is looked for
	place int64              // the last that is; the end of the track where nothing limits
	base  int64              // of the heaviest, or of the lightest where nothing limits
	unit  quantity.Unit      // in which the law writes the limit
	doubt int64              // where it is first not known, in base units

	beyond *solution // of which is not refused, where that is heavier
}

// solve finds the heaviest trailer of a rig and tells of it.
func (s *solver) solve(r *rig.Rig, brakes *Arrangement) (*solution, error) {
	x, err := s.find(r, brakes)
	if err != nil {
		return nil, err
	}
	return x, s.tell(x)
}

// find finds the heaviest trailer of a rig.
func (s *solver) find(r *rig.Rig, brakes *Arrangement) (*solution, error) {
	t, err := s.loading.track(s.plan, r, s.day, s.loading.plates)
	if err != nil {
		return nil, err
	}
	x := &solution{track: t, base: t.lo * t.step, place: t.hi, good: isCompliant, Limit: empty(brakes)}
	if t.dense {
		x.Status = Open
		return x, nil
	}
	x.list = joined(t.stretches(nil))
	x.Decided = slices.ContainsFunc(x.list, func(a stretch) bool { return x.good(a.verdict) })
	if !x.Decided {
		x.good = notRefused
	}
	first := slices.IndexFunc(x.list, func(a stretch) bool { return x.good(a.verdict) })
	switch {
	case first < 0:
		x.Status, x.Decided = None, true
		return x, t.err
	case !x.Decided:
		x.Status = Open
	case x.list[first].to == t.hi:
		x.Status = Unbounded
	default:
		x.Status = Solved
	}
	x.base = x.list[first].from * t.step
	x.doubt = x.base
	last := x.reach(first)
	if x.Status == Solved && x.list[last+1].verdict == Undetermined {
		x.beyond = &solution{track: t, list: x.list, good: notRefused, base: x.base + 1, doubt: x.base + 1, Limit: empty(nil)}
		x.beyond.Status = Open
		x.beyond.reach(last + 1)
	}
	return x, t.err
}

func empty(brakes *Arrangement) Limit {
	return Limit{
		Brakes: brakes, Binding: []Binding{}, Regions: []MassRegion{}, Connected: true, Asks: []Ask{},
		WaitsFor: []string{}, NotCovered: []string{}, Cautions: []string{},
	}
}

// reach goes from one stretch as far as neighbours are as good, and returns the
// last.
func (x *solution) reach(i int) int {
	for i+1 < len(x.list) && x.good(x.list[i+1].verdict) {
		i++
	}
	if x.place = x.list[i].to; x.place < x.track.hi {
		x.base, x.unit = x.track.edge(x.place, nil, judged(x.good))
	}
	return i
}

// tell fills in what is to be said of the heaviest trailer.
func (s *solver) tell(x *solution) error {
	t := x.track
	if t.dense {
		x.Cautions = append(x.Cautions, "A rule here has too many boundaries to be solved.")
		return nil
	}
	x.regions()
	if err := s.describe(x); err != nil || x.beyond == nil {
		return cmp.Or(err, t.err)
	}
	if err := s.describe(x.beyond); err != nil {
		return err
	}
	x.Beyond = &x.beyond.Limit
	return t.err
}

// describe tells of the heaviest of a solution, or of the lightest if nothing
// limits.
func (s *solver) describe(x *solution) error {
	at := x.track.full(x.base, nil)
	if x.Status == None {
		x.Binding = s.bindings(at, turned(&run{}, at, NonCompliant), nil)
		return nil
	}
	if x.place < x.track.hi {
		if err := s.limit(x, at); err != nil {
			return err
		}
	}
	s.around(x, at)
	return nil
}

func isCompliant(v Verdict) bool { return v == Compliant }
func notRefused(v Verdict) bool  { return v != NonCompliant }

// judged asks of an evaluation what is asked of its verdict.
func judged(good func(Verdict) bool) func(*run) bool {
	return func(e *run) bool {
		v, _ := e.outcome()
		return good(v)
	}
}

func (x *solution) regions() {
	t, compliant := x.track, 0
	from, unit := t.lo*t.step, t.unit
	if t.good(t.least, nil, judged(func(v Verdict) bool { return v == x.list[0].verdict })) {
		from = t.least
	}
	for _, a := range x.list {
		g := MassRegion{From: massText(from, unit), Verdict: a.verdict}
		if a.to < t.hi {
			var to int64
			to, unit = t.edge(a.to, nil, judged(func(v Verdict) bool { return v == a.verdict }))
			from, g.To = to+1, massText(to, unit)
		}
		x.Regions = append(x.Regions, g)
		if a.verdict == Compliant {
			compliant++
		}
	}
	x.Connected = compliant <= 1
	if !x.Connected {
		x.Cautions = append(x.Cautions, "Heavier trailers may comply again; between the regions shown as compliant a trailer does not, or it is not known.")
	}
}

// limit tells of the heaviest trailer, as evaluated: it holds one a base unit
// heavier against the rules, too, and finds what binds there and next.
func (s *solver) limit(x *solution, at *run) error {
	t, good := x.track, judged(x.good)
	x.Heaviest, x.Above = massText(x.base, x.unit), massText(x.base+1, x.unit)
	above := t.full(x.base+1, nil)
	if q, known := at.rig.Quantity(ladenAxles); known {
		ball, _ := at.rig.Quantity(ladenBall)
		x.Axles, x.Ball = massText(q.Base(), q.Unit()), massText(ball.Base(), ball.Unit())
	}
	x.VerdictAt, _ = at.outcome()
	x.VerdictAbove, _ = above.outcome()
	if !x.good(x.VerdictAt) || x.good(x.VerdictAbove) {
		return fmt.Errorf("the limit %s does not stand when looked at in full", x.Heaviest)
	}
	x.Binding = s.between(at, above)
	var lifted []string
	for _, b := range x.Binding {
		if b.Finding == "" {
			return nil // no rule that could be lifted
		}
		lifted = append(lifted, b.Finding)
	}
	list := t.stretches(lifted)
	i := slices.IndexFunc(list, func(a stretch) bool { return a.to >= x.place })
	for list[i].to < t.hi && x.good(list[i+1].verdict) {
		i++
	}
	if list[i].to < t.hi {
		base, unit := t.edge(list[i].to, lifted, good)
		x.Next = &NextLimit{massText(base, unit), s.between(t.plain(base, lifted), t.full(base+1, lifted))}
	}
	return nil
}

// between tells what turns from one evaluation to another.
func (s *solver) between(before, after *run) []Binding {
	_, was := before.outcome()
	verdict, is := after.outcome()
	var lost []string
	if verdict == Undetermined {
		lost = slices.DeleteFunc(is, func(q string) bool { return slices.Contains(was, q) })
	}
	return s.bindings(after, turned(before, after, verdict), lost)
}

// bindings describes findings as they stand in an evaluation, and the questions
// that it no longer covers.
func (s *solver) bindings(e *run, fs []*found, lost []string) []Binding {
	out := []Binding{}
	for _, f := range fs {
		b := Binding{
			Finding: f.ID, Rule: f.Rule, Question: f.Question, Level: f.Level, Becomes: string(f.Status), Says: f.rule.Says,
			Limit: f.Limit, Remedy: f.Remedy, Citation: &f.Citation, WaitsFor: s.missing(f.WaitsFor),
		}
		if f.Status == NotMet {
			b.Parts = weakest(e.rig, f.Question)
		}
		out = append(out, b)
	}
	for _, q := range lost {
		out = append(out, Binding{Question: q, Becomes: "not_covered"})
	}
	return out
}

// missing names the inputs that would settle it: a figure that would follow from
// the load on the coupling waits for that.
func (s *solver) missing(pointers []string) []string {
	var out []string
	for _, p := range pointers {
		if !s.loading.known {
			switch {
			case p == "/trailer/laden/axles", s.loading.plates && (p == "/trailer/rated/axles" || p == "/trailer/rated/ball"):
				p = "/trailer/laden/ball"
			}
		}
		if !slices.Contains(out, p) {
			out = append(out, p)
		}
	}
	return out
}

// around tells what is asked of the brakes at the heaviest, and what the limit
// waits for.
func (s *solver) around(x *solution, full *run) {
	x.Asks = slices.DeleteFunc(full.asks(), func(a Ask) bool {
		return !hasPrefix(a.Question, []string{"service_brakes.", "breakaway.", "parking_brake."})
	})
	if x.Status != Open {
		return
	}
	for _, e := range []*run{full, x.track.full(x.doubt, nil)} {
		for i := range e.found {
			if f := &e.found[i]; f.counts() && f.Status == Unknown {
				x.WaitsFor = append(x.WaitsFor, s.missing(f.WaitsFor)...)
			}
		}
		_, uncovered := e.outcome()
		x.NotCovered = append(x.NotCovered, uncovered...)
	}
	for _, list := range []*[]string{&x.WaitsFor, &x.NotCovered} {
		slices.Sort(*list)
		*list = slices.Compact(*list)
	}
	if x.Heaviest != "" {
		x.Cautions = append(x.Cautions, "It is not known that a trailer complies up to "+x.Heaviest+"; only that far nothing is known to be against it. What may lower it: "+strings.Join(slices.Concat(x.WaitsFor, x.NotCovered), ", ")+".")
	}
}
