package circuit

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
)

// Fuse is a standard blade rating.
type Fuse struct {
	Amps   float64 `json:"amps"`
	Colour string  `json:"colour"`
}

// Fuses are the standard blade ratings and body colours of ISO 8820-3; from
// memory, those to 15 A also seen on a reference page.
var Fuses = []Fuse{
	{1, "black"},
	{2, "grey"},
	{3, "violet"},
	{4, "pink"},
	{5, "tan"},
	{7.5, "brown"},
	{10, "red"},
	{15, "blue"},
	{20, "yellow"},
	{25, "clear or white"},
	{30, "green"},
	{35, "blue-green"},
	{40, "orange"},
}

// The share of its rating that a fuse may carry for long near 25 degC: fitters
// use from 0.75 to 0.80. Common practice.
const (
	strictShare = 0.80
	strictest   = 0.75
)

// Feed is what a fuse or breaker protects.
type Feed struct {
	// Amps is the greatest current that flows for long: cold magnets at full
	// voltage, and whatever else is fed.
	Amps float64 `json:"amps"`
	// Conductor is the smallest of those protected.
	Conductor Conductor `json:"conductor"`
	// Ambient is the hottest place that it passes, degC.
	Ambient *float64 `json:"ambient_c,omitempty"`
	// Axles braked; 0 if not known or if the feed is not of a controller.
	Axles int `json:"axles,omitempty"`
}

// Protection is the fuse or breaker for a feed by each rule in use.
type Protection struct {
	// Rating is the smallest standard rating that keeps the strict rule and the
	// conductor's limit; nil if there is none.
	Rating *Fuse `json:"rating,omitempty"`
	// Rules give what each rule of the trade asks.
	Rules []ProtectionRule `json:"rules"`
	// Agree reports that all rules that speak ask for one rating.
	Agree bool `json:"agree"`
	// Limit is what the conductor may carry; the protection must not exceed it.
	// Nil if no published figure covers it.
	Limit     *HeatLimit `json:"limit,omitempty"`
	Says      string     `json:"says"`
	Assumes   []string   `json:"assumes"`
	Placement []Advice   `json:"placement"`
	Sources   []Source   `json:"sources"`
}

// ProtectionRule is one rule of the trade.
type ProtectionRule struct {
	Name   string  `json:"name"`
	Least  float64 `json:"least_a"`          // before rounding up to a standard rating
	Amps   float64 `json:"amps"`             // the standard rating; 0 if none is large enough
	Status Status  `json:"within_conductor"` // against the conductor's limit
	Says   string  `json:"says"`
	Source Source  `json:"source"`
}

// Advice is a thing to do, with its source.
type Advice struct {
	ID     string `json:"id"`
	Says   string `json:"says"`
	Source Source `json:"source"`
}

// NextFuse is the smallest standard rating of at least amps; false beyond the
// largest.
func NextFuse(amps float64) (Fuse, bool) {
	for _, f := range Fuses {
		if !exceeds(amps, f.Amps) {
			return f, true
		}
	}
	return Fuse{}, false
}

// Protect sizes the fuse or breaker of a feed. It must carry the load for long
// and must not exceed what the smallest conductor beyond it can carry; where no
// rating does both, the answer is a larger conductor. Rules of the trade that
// disagree are shown side by side.
func Protect(f Feed) (Protection, error) {
	if err := over("/amps", f.Amps, 0, mostAmps, "A"); err != nil {
		return Protection{}, err
	}
	if f.Conductor.IsZero() {
		return Protection{}, &Bad{"/conductor", "is not given"}
	}
	if f.Ambient != nil {
		if err := within("/ambient_c", *f.Ambient, coldest, hottest, "degC"); err != nil {
			return Protection{}, err
		}
	}
	if f.Axles < 0 || f.Axles > mostAxles {
		return Protection{}, &Bad{"/axles", fmt.Sprintf("must be from 0 to %d, not %d", mostAxles, f.Axles)}
	}
	p := Protection{
		Assumes:   []string{"The fuse itself sits at about 25 degC; in a hot bay it carries less.", "The current is that of cold magnets at full voltage, held for long."},
		Placement: Placement(), Sources: []Source{practice(high), iso8820},
	}
	if h, ok := f.Conductor.HeatLimit(f.Ambient); ok {
		p.Limit = &h
		for _, r := range h.Ratings {
			p.Sources = appendNew(p.Sources, r.Source)
		}
	}
	strict := p.share(f, strictShare)
	p.Rules = []ProtectionRule{strict, p.share(f, strictest)}
	p.Rules = append(p.Rules, p.customary(f)...)
	p.Agree = true
	for _, r := range p.Rules {
		p.Agree = p.Agree && r.Amps == strict.Amps
	}
	p.decide(f, strict)
	return p, nil
}

func appendNew(all []Source, s Source) []Source {
	if slices.Contains(all, s) {
		return all
	}
	return append(all, s)
}

// share is the rule that a sustained load is at most a share of the rating.
func (p Protection) share(f Feed, k float64) ProtectionRule {
	r := ProtectionRule{Name: "sustained load at most " + show(100*k) + " % of the rating", Least: f.Amps / k, Source: practice(high)}
	if fuse, ok := NextFuse(r.Least); ok {
		r.Amps = fuse.Amps
	}
	r.Says = fmt.Sprintf("%s A over %s asks for at least %s A.", figureUp(f.Amps, 3), show(k), figureUp(r.Least, 3))
	r.Status = p.against(r.Amps)
	return r
}

// customary are what fitters of two regions use for a controller.
func (p Protection) customary(f Feed) []ProtectionRule {
	if f.Axles == 0 {
		return nil
	}
	var rules []ProtectionRule
	if f.Axles <= 4 {
		amps := [...]float64{20, 20, 30, 40}[f.Axles-1]
		says := "20 A for one or two braked axles, 30 A for three."
		if f.Axles == 4 {
			says = "40 A for four braked axles, by the same arithmetic as 30 A for three."
		}
		rules = append(rules, ProtectionRule{Name: "North American practice", Least: amps, Amps: amps, Says: says, Source: practice(medium)})
	}
	rules = append(rules, ProtectionRule{Name: "Australian practice", Least: 30, Amps: 30, Says: "Often a 30 A resettable breaker throughout.", Source: practice(medium)})
	for i := range rules {
		rules[i].Status = p.against(rules[i].Amps)
		if exceeds(f.Amps, rules[i].Amps) {
			rules[i].Says += fmt.Sprintf(" This load of %s A is more than that and would trip it.", figureUp(f.Amps, 3))
		}
	}
	return rules
}

func (p Protection) against(amps float64) Status {
	switch {
	case p.Limit == nil || amps == 0:
		return Unknown
	case exceeds(amps, p.Limit.Amps):
		return NotMet
	}
	return Met
}

func (p *Protection) decide(f Feed, strict ProtectionRule) {
	switch strict.Status {
	case Met:
		fuse, _ := NextFuse(strict.Amps)
		p.Rating = &fuse
		p.Says = fmt.Sprintf("Fit %s A (%s): it carries %s A for long and %s can carry %s A.",
			show(fuse.Amps), fuse.Colour, figureUp(f.Amps, 3), f.Conductor, show(p.Limit.Amps))
	case NotMet:
		p.Says = fmt.Sprintf("No rating protects %s and carries the load: %s A would be needed for %s A, but the conductor's lowest published limit is %s A. Fit a larger conductor.",
			f.Conductor, show(strict.Amps), figureUp(f.Amps, 3), show(p.Limit.Amps))
	default:
		if strict.Amps == 0 {
			p.Says = fmt.Sprintf("No blade fuse is large enough for %s A.", figureUp(f.Amps, 3))
		} else {
			p.Says = fmt.Sprintf("No published limit covers %s there, so that no rating can be called safe for it.", f.Conductor)
		}
	}
	if !p.Agree {
		p.Says += " Rules of the trade disagree here:"
		for i, r := range p.Rules {
			sep := ";"
			if i == 0 {
				sep = ""
			}
			amps := "none"
			if r.Amps > 0 {
				amps = show(r.Amps) + " A"
			}
			p.Says += sep + " " + r.Name + " gives " + amps
		}
		p.Says += ". Braking is brief, which is why smaller ratings are seen to last; a breaker that resets itself keeps the brakes, a fuse shows the fault."
	}
}

// Placement tells how a controller is fed, protected and earthed.
func Placement() []Advice {
	return []Advice{
		{"feed.from_battery", "Feed the controller by a conductor of its own straight from the battery, never from the fuse panel nor from accessory, ignition or lamp wiring.", practice(high)},
		{"feed.near_battery", "Put the fuse or breaker as close to battery positive as can be, commonly within 200 to 300 mm.", practice(high)},
		{"feed.polarity", "Prove the polarity with a meter before connecting: a reversed feed destroys most controllers at once.", practice(high)},
		{"earth.direct", "Earth the controller at battery negative or, where a battery sensor sits on the negative post, at the chassis point on the body side of it; never at dash metal or a shared stud.", practice(high)},
		{"return.conductor", "Bring the magnets' current back through a conductor in the connector, at least as large as the brake feed and larger where lamps share it.", practice(high)},
		{"return.no_ball", "The coupling ball is no earth: its contact comes and goes.", practice(high)},
	}
}

// Fed is how a controller is fed in fact.
type Fed struct {
	// From is battery, fuse_panel, accessory, ignition or lamp.
	From string `json:"from,omitempty"`
	// Protected is the distance of the protection from battery positive, m.
	Protected *float64 `json:"protected_at_m,omitempty"`
	// Earth is battery_negative, chassis_point, dash, accessory_stud or ball.
	Earth string `json:"earth,omitempty"`
	// ReturnConductor tells whether the trailer's return runs in the connector.
	ReturnConductor *bool `json:"return_conductor,omitempty"`
	// Feed and Return are the conductors of brake output and return.
	Feed   Conductor `json:"feed,omitzero"`
	Return Conductor `json:"return,omitzero"`
}

// Places of Fed.From and Fed.Earth, the good ones first.
var (
	FeedPlaces  = []string{"battery", "fuse_panel", "accessory", "ignition", "lamp"}
	EarthPlaces = []string{"battery_negative", "chassis_point", "dash", "accessory_stud", "ball"}
)

// farthest is how far from the battery protection commonly sits at most, m.
const farthest = 0.3

// CheckFeed holds a feed against practice.
func CheckFeed(f Fed) ([]Check, error) {
	if f.From != "" && !slices.Contains(FeedPlaces, f.From) {
		return nil, &Bad{"/from", strconv.Quote(f.From) + " is none of " + strings.Join(FeedPlaces, ", ")}
	}
	if f.Earth != "" && !slices.Contains(EarthPlaces, f.Earth) {
		return nil, &Bad{"/earth", strconv.Quote(f.Earth) + " is none of " + strings.Join(EarthPlaces, ", ")}
	}
	if f.Protected != nil {
		if err := within("/protected_at_m", *f.Protected, 0, mostLength, "m"); err != nil {
			return nil, err
		}
	}
	says := map[string]string{}
	for _, a := range Placement() {
		says[a.ID] = a.Says
	}
	check := func(id, need string, known, ok bool, confidence string) Check {
		return decided(Check{ID: id, Level: Practice, Says: says[id], Source: practice(confidence)}, need, known, ok)
	}
	near := check("feed.near_battery", "/protected_at_m", f.Protected != nil, f.Protected != nil && !exceeds(*f.Protected, farthest), high)
	limit := farthest
	near.Value, near.Limit, near.Unit = f.Protected, &limit, "m"
	same := check("return.size", "/return", !f.Return.IsZero(), !exceeds(f.Feed.Area(), f.Return.Area()), high)
	same.Says = "The return has at least as much copper as the brake feed."
	if f.Feed.IsZero() {
		same.Status, same.Needs = Unknown, append([]string{"/feed"}, same.Needs...)
	}
	return []Check{
		check("feed.from_battery", "/from", f.From != "", f.From == FeedPlaces[0], high),
		near,
		check("earth.direct", "/earth", f.Earth != "", f.Earth == EarthPlaces[0] || f.Earth == EarthPlaces[1], high),
		check("return.conductor", "/return_conductor", f.ReturnConductor != nil, f.ReturnConductor != nil && *f.ReturnConductor, high),
		same,
	}, nil
}
