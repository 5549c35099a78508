package loads

import (
	"fmt"
	"slices"
	"strings"

	"drawgear/rules/mech"
)

const commonPractice = "common practice, no published source"

// The ways in which a rig stands to advice.
const (
	within  = "within"
	outside = "outside"
	open    = "unknown" // it cannot be told for want of a figure
	told    = "told"    // there is nothing to hold against it
)

// advise gives the working advice of the trade. None of it moves a line, and
// there is no score of stability: no published measure was found.
func (c *chain) advise() []Advice {
	out := []Advice{}
	if a, ok := c.ballShare(); ok {
		out = append(out, a)
	}
	if country(c.r.Jurisdiction) == "GB" {
		out = append(out, c.massRatio())
	}
	return append(out, c.behindAxles(),
		Advice{
			ID: "speed", Stands: told, Label: commonPractice, Figure: fact(c.r, useSpeed).figure(), Source: practiceSource,
			Text: "A trailer that is steady at one speed can swing at a little more. Slow down early, without braking hard; no stabiliser mends a poor match.",
		},
		Advice{
			ID: "heavy_things", Stands: told, Label: commonPractice, Source: practiceSource,
			Text: "Put heavy things low and near the axles, and tie them down; weight at both ends makes a trailer swing longer.",
		})
}

var practiceSource = Source{Title: "Common practice, no published source", Verification: "memory", Confidence: "medium"}

func country(jurisdiction string) string {
	code, _, _ := strings.Cut(jurisdiction, "-")
	return code
}

// euTrade are the states whose trade goes by the German rule.
var euTrade = []string{"AT", "BE", "CH", "CZ", "DE", "DK", "ES", "FI", "FR", "GR", "HU", "IE", "IT", "LU", "NL", "NO", "PL", "PT", "SE", "SI", "SK"}

// ballShare holds the share on the coupling against the working range of the
// place. Source: mech.FactBallShares, each range with its own.
func (c *chain) ballShare() (Advice, bool) {
	place := country(c.r.Jurisdiction)
	if slices.Contains(euTrade, place) {
		place = "EU"
	}
	hitch := word(c.r, trailerHitch)
	s, ok := mech.BallShare(place, hitch == "fifth_wheel" || hitch == "gooseneck")
	if !ok {
		return Advice{}, false
	}
	a := Advice{ID: "ball_share", Figure: c.now.share.figure(), Label: s.Source.Title, Source: sourceOf(mech.FactBallShares, s.Source)}
	switch {
	case s.High > 0:
		a.Range = fmt.Sprintf("%g to %g %% of %s", s.Low, s.High, s.Of)
	case s.Low > 0:
		a.Range = fmt.Sprintf("at least %g %% of %s", s.Low, s.Of)
	default:
		a.Range = fmt.Sprintf("about %g %% of %s", s.Aim, s.Of)
	}
	a.Text = "Share of the trailer on the coupling that is worked to: " + a.Range + "."
	if s.Says != "" {
		a.Text += " Also said: " + s.Says + "."
	}
	share := c.now.share
	switch {
	case s.High == 0: // no range, or a share of another mass than the one weighed
		a.Stands = told
	case !share.known() || share.bound != Exact:
		a.Stands = open
	default:
		a.Stands = inside(share.v, s.Low, s.High)
	}
	return a, true
}

func inside(v fraction, low, high float64) string {
	if v.cmp(ofFloat(low)) < 0 || v.cmp(ofFloat(high)) > 0 {
		return outside
	}
	return within
}

// massRatio holds the plated trailer against the kerb mass of the vehicle.
// Source: mech.FactMassRatio.
func (c *chain) massRatio() Advice {
	ratio := times(over(fact(c.r, trailerRatedTotal), fact(c.r, vehicleKerb)), exact(hundred, bare)).in(percent).as("100 x trailer.rated.total / vehicle.kerb")
	a := Advice{
		ID: "mass_ratio", Figure: ratio.figure(), Source: from(mech.FactMassRatio), Stands: open,
		Range: "at most 85 % for a driver new to towing, 100 % for an experienced one",
		Text:  "Plated trailer against the kerb mass of the vehicle. Kerb masses with and without a driver differ by some 70 kg.",
	}
	a.Label = a.Source.Title
	if !ratio.known() {
		return a
	}
	switch {
	case ratio.v.cmp(frac(85, 1)) <= 0:
		a.Stands = within
	case ratio.v.cmp(hundred) > 0:
		a.Stands = outside
	default:
		a.Stands = told
	}
	return a
}

// behindAxles tells how much of what is loaded lies behind the axles.
func (c *chain) behindAxles() Advice {
	reach := fact(c.r, trailerBallToAxle)
	sum := plus(exact(frac(0, 1), kilogram), with(reach)) // unknown until shown otherwise
	if c.r.TrailerItems == nil {
		sum = unknown("", "/trailer/items")
	} else if reach.known() {
		sum = exact(frac(0, 1), kilogram)
		for i, it := range c.r.TrailerItems {
			m, at := item("/trailer/items/", i, it, "behind_coupling")
			switch {
			case !at.known():
				sum = with(sum, m, at)
			case at.v.cmp(reach.v) > 0:
				sum = plus(sum, m)
			}
		}
	}
	return Advice{
		ID: "mass_behind_axles", Stands: told, Label: commonPractice, Source: practiceSource,
		Figure: sum.as("sum of the masses behind the middle of the axles").figure(),
		Text:   "Load behind the axles lifts the coupling and makes a trailer swing. A share of the load ahead of the axles is no measure of the load on the coupling.",
	}
}

// cautions go with every answer.
var cautions = []string{
	"This informs; it certifies nothing. The plates and handbooks of the makers and the rules of the place come before it.",
	"Loads are worked out for a rig that stands level. Weigh the laden rig, axle by axle and under the coupling, before it is relied on.",
	"A limit that is not judged may be the weakest. Give its figure, or have the part looked at.",
	"Tyre ratings hold for sound tyres at the maker's cold pressure for that load, and up to the speed of their symbol.",
	"A load-levelling hitch raises no rating, and some makers forbid it.",
	"Changes to a towbar, a coupling, a drawbar, an axle or a brake are work for those whom the place licenses for it.",
}
