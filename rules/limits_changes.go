package rules

import (
	"cmp"
	"fmt"
	"slices"
	"strconv"
	"strings"

	"drawgear/rules/quantity"
	"drawgear/rules/rig"
)

// ChangeSet is changes that together leave nothing of the rig not met, and of
// which none can be left out. Each set was tried on the rig.
type ChangeSet struct {
	Changes    []Change `json:"changes"`
	Verdict    Verdict  `json:"verdict"`               // on the changed rig: compliant, or undetermined where inputs are missing
	WaitsFor   []string `json:"waits_for,omitempty"`   // pointers of those
	NotCovered []string `json:"not_covered,omitempty"` // questions on which the law held is silent
}

// Change is one thing to do to a rig.
type Change struct {
	Do     string       `json:"do"`               // one of Deeds
	Text   string       `json:"text"`             // what to do, with its figures
	Set    []Setting    `json:"set"`              // the fields of the rig document that make it so, after those of the changes before
	Brakes *Arrangement `json:"brakes,omitempty"` // for fit_brakes
	Or     []string     `json:"or,omitempty"`     // other kinds of brake that serve as well, each tried in the same set
}

// Deeds are what a change can be, in the order in which a workshop prefers them
// (common practice, no published source).
var Deeds = []string{
	"slow_down", "reload", "shift_load", "unload_vehicle", "adjust", "replace_part", "fit_part", "fit", "brake_axles", "fit_brakes", "plate_down",
}

// Bounds of the search.
const (
	maxTried   = 250
	maxSets    = 24
	maxChanges = 5
)

// move is a change before its figures are known. It has fixed settings, or moves
// a figure along a track, or is sized to what is asked once all else stands;
// until then it takes ample ones.
type move struct {
	Change
	key   string
	fixed []setting
	track func(r *rig.Rig) (*track, error)
	ups   bool // the figure on the track may grow, too
	figs  func(now *rig.Rig, base int64) []setting
	tell  func(amount string, more bool) string // the text, once the figure is known, and whether it is more than today's
	turn  int                                   // tracks are gone along in this order
	light []setting                             // until its turn comes
	ample []setting                             // to begin with
	size  func(m *move, e *run) sizing          // to end with
}

// sizing is what a move comes to.
type sizing struct {
	set    []setting
	change Change
}

// tried is a set of moves, worked out.
type tried struct {
	rig     *rig.Rig
	run     *run
	changes []Change
}

func (x *tried) works() bool { return len(x.run.failing()) == 0 }

// search looks for the smallest sets of moves.
type search struct {
	*solver
	rig  *rig.Rig
	memo map[string]*tried
}

// changes finds the sets of changes after which nothing of the rig is not met.
// A set must answer the first finding that fails, so that only moves bearing on
// that are added; whole is false if not all sets could be tried.
func (s *solver) changes(r *rig.Rig) (sets []ChangeSet, whole bool, err error) {
	h := &search{s, r, map[string]*tried{}}
	whole = true
	var good [][]*move
	level := [][]*move{nil}
	seen := map[string]bool{"": true}
	for depth := 0; depth <= maxChanges && len(level) > 0; depth++ {
		var next [][]*move
		for _, moves := range level {
			if slices.ContainsFunc(good, func(g []*move) bool { return contains(moves, g) }) {
				continue
			}
			if len(h.memo) >= maxTried || len(good) >= maxSets {
				whole = false
				break
			}
			x, err := h.try(moves)
			if err != nil {
				return nil, false, err
			}
			if x == nil {
				continue // it cannot be done to this rig
			}
			if x.works() {
				if moves, err = h.least(moves); err != nil {
					return nil, false, err
				}
				if !slices.ContainsFunc(good, func(g []*move) bool { return keyOf(g) == keyOf(moves) }) {
					good = append(good, moves)
				}
				continue
			}
			if depth == maxChanges {
				whole = false
				continue
			}
			for _, m := range h.moves(x, x.run.failing()[0]) {
				if slices.ContainsFunc(moves, func(o *move) bool { return topic(o.key) == topic(m.key) }) {
					continue
				}
				more := append(slices.Clone(moves), m)
				slices.SortStableFunc(more, func(a, b *move) int { return cmp.Or(a.rank()-b.rank(), strings.Compare(a.key, b.key)) })
				if k := keyOf(more); !seen[k] {
					seen[k] = true
					next = append(next, more)
				}
			}
		}
		level = next
	}
	slices.SortStableFunc(good, func(a, b []*move) int {
		return cmp.Or(len(a)-len(b), a[len(a)-1].rank()-b[len(b)-1].rank(), a[0].rank()-b[0].rank())
	})
	sets = []ChangeSet{}
	for _, g := range good {
		sets = append(sets, h.set(h.memo[keyOf(g)]))
	}
	sets = together(sets)
	slices.SortStableFunc(sets, func(a, b ChangeSet) int { return strings.Compare(string(a.Verdict), string(b.Verdict)) })
	return sets, whole, nil
}

// together tells of sets that differ only in the kind of brake once.
func together(sets []ChangeSet) []ChangeSet {
	out := []ChangeSet{}
	for _, s := range sets {
		taken := false
		for i := range out {
			if taken = out[i].takes(s); taken {
				break
			}
		}
		if !taken {
			out = append(out, s)
		}
	}
	return out
}

// takes adds the brake of another set to its own if all else is the same.
func (s *ChangeSet) takes(o ChangeSet) bool {
	if len(s.Changes) != len(o.Changes) || s.Verdict != o.Verdict || !slices.Equal(s.WaitsFor, o.WaitsFor) {
		return false
	}
	at := -1
	for i := range s.Changes {
		a, b := &s.Changes[i], &o.Changes[i]
		switch {
		case a.Brakes != nil && b.Brakes != nil && a.Brakes.BrakedAxles == b.Brakes.BrakedAxles:
			at = i
		case a.Do != b.Do || a.Text != b.Text:
			return false
		}
	}
	if at < 0 {
		return false
	}
	s.Changes[at].Or = append(s.Changes[at].Or, o.Changes[at].Brakes.Kind)
	return true
}

func (m *move) rank() int { return slices.Index(Deeds, m.Do) }

// topic is what a move is about: two moves on one topic exclude each other.
func topic(key string) string {
	t, _, _ := strings.Cut(key, "=")
	return t
}

func keyOf(moves []*move) string {
	keys := make([]string, len(moves))
	for i, m := range moves {
		keys[i] = m.key
	}
	return strings.Join(keys, " ")
}

func contains(moves, all []*move) bool {
	return !slices.ContainsFunc(all, func(m *move) bool {
		return !slices.ContainsFunc(moves, func(o *move) bool { return o.key == m.key })
	})
}

// least leaves out of a set that works what it works without.
func (h *search) least(moves []*move) ([]*move, error) {
	for i := range moves {
		fewer := slices.Delete(slices.Clone(moves), i, i+1)
		x, err := h.try(fewer)
		if err != nil {
			return nil, err
		}
		if x != nil && x.works() {
			return h.least(fewer)
		}
	}
	return moves, nil
}

// try works a set of moves out: what is fixed, ample sizes, the figures on
// tracks one after another, each as near to today's as the rules allow, and at
// last the sizes that are then asked. It is nil if the rig cannot be so.
func (h *search) try(moves []*move) (*tried, error) {
	key := keyOf(moves)
	if x, done := h.memo[key]; done {
		return x, nil
	}
	h.memo[key] = nil
	x := &tried{changes: make([]Change, len(moves))}
	sets := make([][]setting, len(moves))
	var ample []setting
	var turns []int
	for i, m := range moves {
		x.changes[i], sets[i] = m.Change, m.fixed
		if ample = append(ample, m.ample...); m.track != nil {
			turns = append(turns, i)
			ample = append(ample, m.light...)
		}
	}
	slices.SortStableFunc(turns, func(a, b int) int { return moves[a].turn - moves[b].turn })
	now, err := h.rig.With(func(d *rig.Draft) { apply(d, slices.Concat(sets...)); apply(d, ample) })
	if err != nil {
		return nil, nil // moves that exclude each other are no set
	}
	for _, i := range turns {
		m := moves[i]
		t, err := m.track(now)
		if err != nil || t.dense {
			return nil, nil // there is no way to go along this track
		}
		base, unit, least := t.nearest(m.ups)
		if t.err != nil {
			return nil, t.err
		}
		sets[i], x.changes[i].Text = m.figs(now, base), m.tell(massText(base, unit), base > t.today)
		if least > 0 && m.Do == "reload" {
			x.changes[i].Text += " Less than " + massText(least, t.unit) + " does not do either."
		}
		if now, err = now.With(func(d *rig.Draft) { apply(d, sets[i]) }); err != nil {
			return nil, fmt.Errorf("%s: %w", m.Do, err)
		}
	}
	asked := h.plan.run(now, h.day)
	for i, m := range moves {
		if m.size != nil {
			sized := m.size(m, asked)
			sets[i], x.changes[i] = sized.set, sized.change
		}
		x.changes[i].Set = told(h.rig, sets[i])
	}
	if x.rig, err = h.rig.With(func(d *rig.Draft) { apply(d, slices.Concat(sets...)) }); err != nil {
		return nil, nil // as above
	}
	x.run = h.plan.run(x.rig, h.day)
	h.memo[key] = x
	return x, nil
}

// nearest is the figure nearest to today's at which the fewest findings fail; of
// two as good, one that is known to comply. A figure that comes down need not
// come down to just that: least is how far it may, 0 if that does not matter.
func (t *track) nearest(ups bool) (base int64, unit quantity.Unit, least int64) {
	list := t.stretches(nil)
	better := func(a, b stretch) int {
		order := []Verdict{Compliant, Undetermined, NonCompliant}
		return cmp.Or(a.failing-b.failing, slices.Index(order, a.verdict)-slices.Index(order, b.verdict))
	}
	distance := func(s stretch) int64 { return max(t.today-s.to*t.step-t.step+1, s.from*t.step-t.today, 0) }
	best := -1
	for i, s := range list {
		if !ups && s.from*t.step > t.today {
			break
		}
		if best < 0 || better(s, list[best]) < 0 || better(s, list[best]) == 0 && distance(s) <= distance(list[best]) {
			best = i
		}
	}
	if best < 0 { // today's is less than the track begins with
		return t.lo * t.step, t.unit, 0
	}
	s := list[best]
	low := best
	for low > 0 && list[low-1].failing == s.failing {
		low--
	}
	if from := list[low].from; from > t.lo {
		least = from * t.step
	}
	switch {
	case s.from*t.step > t.today:
		return s.from * t.step, t.unitAt(s.from), 0
	case (s.to+1)*t.step > t.today:
		return t.today, t.unit, 0
	default:
		base, unit = t.edge(s.to, nil, func(e *run) bool {
			v, _ := e.outcome()
			return len(e.failing()) == s.failing && v == s.verdict
		})
		return base, unit, least
	}
}

// set tells of a set that works.
func (h *search) set(x *tried) ChangeSet {
	out := ChangeSet{Changes: x.changes}
	out.Verdict, out.NotCovered = x.run.outcome()
	if out.Verdict == Compliant {
		return out
	}
	for i := range x.run.found {
		if f := &x.run.found[i]; f.counts() && f.Status == Unknown {
			out.WaitsFor = append(out.WaitsFor, f.WaitsFor...)
		}
	}
	slices.Sort(out.WaitsFor)
	out.WaitsFor = slices.Compact(out.WaitsFor)
	return out
}

var (
	ladenLoad         = rig.Must("trailer.laden.load")
	combinationLaden  = rig.Must("combination.laden.total")
	combinationRated  = rig.Must("combination.rated.total")
	vehicleLaden      = rig.Must("vehicle.laden.total")
	vehicleLadenAxles = rig.Must("vehicle.laden.axles")
	vehicleLadenSum   = rig.Must("vehicle.laden.axle_sum")
	vehicleUnladen    = rig.Must("vehicle.unladen")
	towingLimit       = rig.Must("vehicle.towing.limit")
	useSpeed          = rig.Must("use.speed")
	connector         = rig.Must("trailer.connector")
	chainsCrossed     = rig.Must("trailer.chains_crossed")
)

// moves lists what may answer a finding that fails.
func (h *search) moves(x *tried, f *found) []*move {
	reads := f.rule.Facts()
	for _, r := range h.plan.rules {
		if r.Rule == f.rule {
			for _, i := range r.overriddenBy { // it could also come to take its place
				reads = append(reads, h.plan.rules[i].Facts()...)
			}
		}
	}
	readsAny := func(ids ...rig.ID) bool {
		return slices.ContainsFunc(ids, func(id rig.ID) bool { return slices.Contains(reads, id) })
	}
	r := x.rig
	total, hasTotal := h.rig.Quantity(ladenTotal)
	var out []*move
	if hasTotal && readsAny(ladenTotal, ladenAxles, ladenBall, ladenLoad, combinationLaden) {
		out = append(out, h.reload(total))
	}
	if axles, known := h.rig.Quantity(ladenAxles); known && !hasTotal && readsAny(ladenAxles) {
		out = append(out, h.lighten(axles))
	}
	if ball, known := h.rig.Quantity(ladenBall); known && readsAny(ladenAxles, ladenBall) {
		out = append(out, h.shift(ball))
	}
	if q, known := h.rig.Quantity(vehicleLaden); known && readsAny(vehicleLaden, vehicleLadenSum, combinationLaden) {
		out = append(out, h.unload(q))
	}
	if q, known := h.rig.Quantity(ratedTotal); known && readsAny(ratedTotal, ratedAxles, combinationRated) {
		out = append(out, h.plateDown(q))
	}
	if v, known := r.Bool(brakesWorking); known && !v && readsAny(brakesWorking) {
		out = append(out, fixedMove("adjust", "working", "Repair the service brake so that it works.", boolOf(brakesWorking, true)))
	}
	if readsAny(kindFact, fittedFact, towingLimit) && r.Get(kindFact).Word == "none" {
		out = append(out, h.brakes(r, rig.BrakeKinds[1:])...)
	}
	return append(out, h.answering(r, f)...)
}

func fixedMove(do, key, text string, set ...setting) *move {
	return &move{Change: Change{Do: do, Text: text}, key: key, fixed: set}
}

// answering lists the moves for the question itself.
func (h *search) answering(r *rig.Rig, f *found) []*move {
	group, key, _ := strings.Cut(f.Question, ".")
	switch group {
	case "part_rating":
		return []*move{h.replace(key)}
	case "safety_chains":
		if key == "crossed" {
			return []*move{fixedMove("fit", "crossed", "Cross the safety chains under the coupling.", boolOf(chainsCrossed, true))}
		}
		return []*move{h.chains(r)}
	case "coupling":
		return []*move{fixedMove("fit", f.Question, "Fit a coupling with this feature: "+strings.ReplaceAll(key, "_", " ")+".", boolOf(rig.Must("trailer."+f.Question), true))}
	case "device":
		for i, p := range r.Parts {
			if p.Role == key {
				return []*move{fixedMove("fit_part", f.Question, "Fit a "+strings.ReplaceAll(key, "_", " ")+".", partCount(i, 1))}
			}
		}
	case "connector":
		word := f.duty.Demand.Words[0]
		return []*move{fixedMove("fit", f.Question, "Fit a plug "+word+".", wordOf(connector, word))}
	case "speed":
		return []*move{h.measure(f, useSpeed, "slow_down", "Drive no faster than %s.")}
	case "parking_brake":
		if key == "required" {
			return []*move{fixedMove("fit", "parking", "Fit a parking brake.", boolOf(parkingBrake, true))}
		}
		return []*move{h.measure(f, f.duty.Reads()[len(f.duty.Reads())-1], "adjust", "Bring the parking brake to hold %s, and prove it.")}
	case "breakaway":
		return h.parting(r, f, key)
	case "braking_performance":
		if key != "stop" { // of a stop both figures would have to be made up
			return []*move{h.measure(f, f.duty.Reads()[0], "adjust", "Adjust or repair the brakes until they reach %s, and prove it by test.")}
		}
	case "service_brakes":
		return h.braking(r, f, key)
	}
	return nil
}

// measure brings a measured figure to what is asked.
func (h *search) measure(f *found, id rig.ID, do, text string) *move {
	v := f.duty.Demand.Value
	q := quantity.New(v.Num, v.Unit)
	return fixedMove(do, rig.ByID(id).Path+"="+q.String(), fmt.Sprintf(text, q.Text()), amountOf(id, q))
}

// reload takes load off the trailer.
func (h *search) reload(total quantity.Quantity) *move {
	l := h.loading
	l.plates = false // those of a trailer that stands there do not change with its load
	return &move{
		Change: Change{Do: "reload"}, key: "load", turn: 2, light: l.settings(l.lightest(h.rig, false)),
		track: func(r *rig.Rig) (*track, error) {
			t, err := l.track(h.plan, r, h.day, false)
			if err == nil {
				t.today = total.Base()
			}
			return t, err
		},
		figs: func(_ *rig.Rig, base int64) []setting { return l.settings(base) },
		tell: func(amount string, _ bool) string {
			return "Unload the trailer to a laden total of at most " + amount + "."
		},
	}
}

// along makes a track of one figure in base units, from least to most.
func (h *search) along(least, most, today int64, unit quantity.Unit, r *rig.Rig, figs func(*rig.Rig, int64) []setting) (*track, error) {
	t := &track{plan: h.plan, day: h.day, unit: unit, least: least, step: 1, lo: least, hi: most, today: today}
	t.at = func(base int64) (*rig.Rig, error) {
		return r.With(func(d *rig.Draft) { apply(d, figs(r, base)) })
	}
	if least > most {
		return nil, fmt.Errorf("there is nothing between %d and %d", least, most)
	}
	return t, t.lay()
}

// lighten takes load off a trailer of which only what its axles carry is known.
func (h *search) lighten(axles quantity.Quantity) *move {
	figs := func(_ *rig.Rig, base int64) []setting {
		return []setting{amountOf(ladenAxles, quantity.New(base, axles.Unit()))}
	}
	return &move{
		Change: Change{Do: "reload"}, key: "load", turn: 2, light: figs(nil, 1), figs: figs,
		track: func(r *rig.Rig) (*track, error) {
			return h.along(1, axles.Base(), axles.Base(), axles.Unit(), r, figs)
		},
		tell: func(amount string, _ bool) string {
			return "Unload the trailer until its axles carry at most " + amount + "."
		},
	}
}

// shift moves load along the trailer; what it weighs stays.
func (h *search) shift(ball quantity.Quantity) *move {
	figs := func(now *rig.Rig, base int64) []setting {
		out := []setting{amountOf(ladenBall, quantity.New(base, ball.Unit()))}
		total, known := now.Quantity(ladenTotal)
		if known {
			out = append(out, forget(ladenAxles))
		}
		if known && !now.Entered(ladenTotal) { // it followed from what now changes
			out = append(out, amountOf(ladenTotal, total))
		}
		return out
	}
	return &move{
		Change: Change{Do: "shift_load"}, key: "ball", ups: true, figs: figs, turn: 3,
		track: func(r *rig.Rig) (*track, error) {
			most := ball.Base()
			if total, known := r.Quantity(ladenTotal); known {
				most = total.Base()
			}
			now, _ := r.Quantity(ladenBall)
			return h.along(0, most, now.Base(), ball.Unit(), r, figs)
		},
		tell: func(amount string, more bool) string {
			if more {
				return "Shift load forward in the trailer until the coupling carries at least " + amount + "."
			}
			return "Shift load back in the trailer until the coupling carries at most " + amount + "."
		},
	}
}

// unload takes load off the vehicle.
func (h *search) unload(now quantity.Quantity) *move {
	figs := func(_ *rig.Rig, base int64) []setting {
		return []setting{forget(vehicleLadenAxles), amountOf(vehicleLaden, quantity.New(base, now.Unit()))}
	}
	return &move{
		Change: Change{Do: "unload_vehicle"}, key: "vehicle", figs: figs, turn: 1,
		track: func(r *rig.Rig) (*track, error) {
			empty, _ := r.Quantity(vehicleUnladen)
			return h.along(max(1, empty.Base()), now.Base(), now.Base(), now.Unit(), r, figs)
		},
		tell: func(amount string, _ bool) string { return "Unload the vehicle to at most " + amount + "." },
	}
}

// plateDown has the trailer plated for less by who may do that.
func (h *search) plateDown(now quantity.Quantity) *move {
	ball, hasBall := h.rig.Quantity(ratedBall)
	figs := func(_ *rig.Rig, base int64) []setting {
		out := []setting{amountOf(ratedTotal, quantity.New(base, now.Unit()))}
		if hasBall {
			out = append(out, forget(ratedAxles), amountOf(ratedBall, ball))
		}
		return out
	}
	return &move{
		Change: Change{Do: "plate_down"}, key: "plate", figs: figs, turn: 0,
		track: func(r *rig.Rig) (*track, error) {
			least := max(1, ball.Base())
			for _, id := range []rig.ID{tare, ratedAxles} {
				if q, known := r.Quantity(id); known && !(id == ratedAxles && hasBall) {
					least = max(least, q.Base())
				}
			}
			return h.along(least, now.Base(), now.Base(), now.Unit(), r, figs)
		},
		tell: func(amount string, _ bool) string {
			return "Have the trailer plated for a total of at most " + amount + ", by its maker or whom the law lets do it."
		},
	}
}

// heaviestMass stands for a rating that is ample.
var heaviestMass = quantity.New(quantity.Mass.Max(), quantity.Mass.BaseUnit())

// replace fits parts of a role rated for what is then asked of them.
func (h *search) replace(role string) *move {
	m := &move{Change: Change{Do: "replace_part"}, key: "part:" + role}
	for i, p := range h.rig.Parts {
		if p.Role == role && p.Count > 0 {
			m.ample = append(m.ample, partMass(i, "rated_mass", heaviestMass))
		}
	}
	m.size = func(m *move, e *run) sizing {
		need := e.most("part_rating." + role)
		out := sizing{change: m.Change}
		for i, p := range h.rig.Parts {
			if p.Role == role && p.Count > 0 && (p.RatedMass.IsZero() || p.RatedMass.Cmp(need) < 0) {
				out.set = append(out.set, partMass(i, "rated_mass", need))
			}
		}
		out.change.Text = fmt.Sprintf("Replace the %s by one rated for at least %s.", strings.ReplaceAll(role, "_", " "), need)
		return out
	}
	return m
}

// most is the largest mass that the rules that hold ask on a question, to the
// base unit above, in the law's unit where that is exact. Zero if none asks.
func (e *run) most(question string) quantity.Quantity {
	best := quantity.New(0, quantity.Mass.BaseUnit())
	for i := range e.found {
		f := &e.found[i]
		if f.Question != question || !f.counts() || f.Status == NotApplicable || f.duty.Demand.Amount == nil {
			continue
		}
		v, known := f.duty.Demand.Amount.Value(e.rig)
		if !known {
			continue
		}
		base := v.Num / v.Den
		if v.Num%v.Den > 0 {
			base++
		}
		if strings.HasSuffix(question, "_over") { // strictly more is asked
			base = v.Num/v.Den + 1
		}
		if q := quantity.New(base, v.Unit); q.Cmp(best) > 0 {
			best = q
		}
	}
	if !best.Exact() {
		best = best.In(quantity.Mass.BaseUnit())
	}
	return best
}

// chains fits as many safety chains, and as strong, as are then asked.
func (h *search) chains(r *rig.Rig) *move {
	m := &move{Change: Change{Do: "fit_part"}, key: "chains"}
	var at []int
	for i, p := range r.Parts {
		if p.Role == "chain" || p.Role == "cable" {
			at = append(at, i)
		}
	}
	long := quantity.MustParse(quantity.Length, "1 m")
	for _, i := range at {
		m.ample = append(m.ample, partMass(i, "rated_mass", heaviestMass), partMass(i, "breaking_mass", heaviestMass), partMass(i, "size", long), partCount(i, max(1, h.rig.Parts[i].Count)))
	}
	m.size = func(m *move, e *run) sizing { return h.sizeChains(m.Change, at, e) }
	return m
}

func (h *search) sizeChains(c Change, at []int, e *run) sizing {
	out := sizing{change: c}
	count, size := 1, quantity.Quantity{}
	for _, a := range e.asks() {
		if n, err := strconv.Atoi(a.Value); err == nil && a.Question == "safety_chains.count" {
			count = n
		}
		if q, err := quantity.Parse(quantity.Length, a.Value); err == nil && a.Question == "safety_chains.size" {
			size = q
		}
	}
	have := 0
	for _, i := range at {
		have += h.rig.Parts[i].Count
	}
	first := at[0]
	if have < count {
		out.set = append(out.set, partCount(first, h.rig.Parts[first].Count+count-have))
		have = count
	}
	breaking := e.most("safety_chains.each_breaking")
	if q := e.most("safety_chains.each_breaking_over"); q.Cmp(breaking) > 0 {
		breaking = q
	}
	if q := e.most("safety_chains.together_breaking"); q.Base() > 0 {
		if each := quantity.New((q.Base()+int64(have)-1)/int64(have), q.Unit()); each.Cmp(breaking) > 0 {
			breaking = each
		}
	}
	rated := e.most("safety_chains.each_rated")
	text := fmt.Sprintf("Fit %d safety chains", have)
	if have == 1 {
		text = "Fit one safety chain"
	}
	for _, x := range []struct {
		field, words string
		asked        quantity.Quantity
		has          func(rig.Part) quantity.Quantity
	}{
		{"rated_mass", "rated for at least", rated, func(p rig.Part) quantity.Quantity { return p.RatedMass }},
		{"breaking_mass", "of a breaking strength of at least", breaking, breakingMass},
		{"size", "of link material of at least", size, func(p rig.Part) quantity.Quantity { return p.Size }},
	} {
		if x.asked.IsZero() || x.asked.Base() == 0 {
			continue
		}
		text += ", each " + x.words + " " + x.asked.String()
		for _, i := range at {
			p := h.rig.Parts[i]
			if q := x.has(p); !q.IsZero() && q.Cmp(x.asked) >= 0 {
				continue
			}
			out.set = append(out.set, partMass(i, x.field, x.asked))
			if x.field == "breaking_mass" && !p.BreakingForce.IsZero() {
				out.set = append(out.set, setting{Setting{fmt.Sprintf("/parts/%d/breaking_force", i), nil}, func(*rig.Draft) {}})
			}
		}
	}
	out.change.Text = text + "."
	return out
}

// breakingMass is the mass at which a chain breaks, to the base unit below.
func breakingMass(p rig.Part) quantity.Quantity {
	v, known := strength(&rig.Rig{}, p, "safety_chains.each_breaking")
	if !known {
		return quantity.Quantity{}
	}
	return quantity.New(v.Num/v.Den, v.Unit)
}

// parting lists what answers a breakaway finding.
func (h *search) parting(r *rig.Rig, f *found, key string) []*move {
	switch key {
	case "hold", "holds_grade":
		id := breakawayHold
		if key == "holds_grade" {
			id = breakawayGrade
		}
		return []*move{h.measure(f, id, "adjust", "Bring the breakaway brake to hold %s, and prove it by test.")}
	case "battery_indicator":
		return []*move{fixedMove("fit", f.Question, "Fit a display of the breakaway battery at the driver's seat.", boolOf(batteryShown, true))}
	case "charged_from_vehicle":
		return []*move{fixedMove("fit", f.Question, "Give the breakaway battery a charge feed from the vehicle.", boolOf(batteryCharged, true))}
	}
	var out []*move
	for _, word := range []string{"secondary_coupling", "automatic"} {
		if f.Question == "breakaway.any_of" && !slices.Contains(f.duty.Demand.Words, word) {
			continue
		}
		if word == "secondary_coupling" {
			out = append(out, fixedMove("fit", "breakaway="+word, "Fit a secondary coupling.", wordOf(breakawayKind, word)))
			continue
		}
		all := Arrangement{Breakaway: word, hold: h.plan.longestHold(h.day), BatteryIndicator: true, ChargedFromVehicle: true}
		m := &move{Change: Change{Do: "fit"}, key: "breakaway=" + word, ample: all.parting()}
		m.size = func(m *move, e *run) sizing {
			a := all.asked(e.asks())
			a.Breakaway = word
			c := m.Change
			c.Text = "Fit a breakaway that applies the brakes by itself"
			if !a.hold.IsZero() {
				c.Text += " and holds " + a.hold.Text()
			}
			if a.BatteryIndicator {
				c.Text += ", with a display of its battery at the driver's seat"
			}
			if a.ChargedFromVehicle {
				c.Text += ", its battery charged from the vehicle"
			}
			c.Text += "."
			return sizing{a.parting(), c}
		}
		out = append(out, m)
	}
	return out
}

// braking lists what answers a finding on the service brake.
func (h *search) braking(r *rig.Rig, f *found, key string) []*move {
	kind := r.Get(kindFact).Word
	switch key {
	case "required":
		return h.brakes(r, rig.BrakeKinds[1:])
	case "kinds":
		return h.brakes(r, f.duty.Demand.Words)
	case "auto_reverse":
		return []*move{fixedMove("fit", f.Question, "Fit brakes with automatic reversing.", boolOf(autoReverse, true))}
	case "operable_from_cab":
		if slices.Contains(overrunKinds, kind) {
			return h.brakes(r, slices.DeleteFunc(slices.Clone(rig.BrakeKinds[1:]), func(k string) bool { return slices.Contains(overrunKinds, k) }))
		}
		return []*move{fixedMove("fit", f.Question, "Fit a control with which the driver works the trailer brakes from the seat.", boolOf(operable, true))}
	}
	n := r.Get(axleCount)
	if key != "wheels" || !n.Known {
		return nil
	}
	return []*move{fixedMove("brake_axles", "wheels", fmt.Sprintf("Brake the wheels of all %d axles.", n.Num), forget(axlePositions), countOf(brakedAxles, int(n.Num)))}
}

// brakes fits a service brake of each kind, on as many axles as are then asked.
func (h *search) brakes(r *rig.Rig, kinds []string) []*move {
	var out []*move
	for _, kind := range kinds {
		if kind == r.Get(kindFact).Word {
			continue
		}
		fit := func(axles string, reverse bool) Arrangement {
			return Arrangement{Kind: kind, BrakedAxles: axles, OperableFromCab: !slices.Contains(overrunKinds, kind), AutoReverse: reverse && slices.Contains(overrunKinds, kind)}
		}
		m := &move{Change: Change{Do: "fit_brakes"}, key: "brakes=" + kind, ample: fit("all", true).settings(r)}
		m.size = func(m *move, e *run) sizing {
			axles, reverse := "all", false
			for _, a := range e.asks() {
				switch {
				case a.Question == "service_brakes.wheels" && slices.Contains([]string{"one_axle", "rear_axle"}, a.Value):
					axles = "one"
				case a.Question == "service_brakes.auto_reverse":
					reverse = a.Value != "false"
				}
			}
			a := fit(axles, reverse)
			c := m.Change
			c.Brakes = &a
			c.Text = fmt.Sprintf("Fit %s brakes to the wheels of %s.", strings.ReplaceAll(kind, "_", "-"), map[string]string{"all": "every axle", "one": "at least one axle, the rearmost"}[axles])
			if a.OperableFromCab {
				c.Text += " The driver must be able to work them from the seat."
			}
			return sizing{a.settings(r), c}
		}
		out = append(out, m)
	}
	return out
}
