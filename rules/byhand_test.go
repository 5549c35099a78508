package rules_test

import (
	"encoding/json"
	"fmt"
	"os"
	"reflect"
	"strconv"
	"strings"
	"testing"

	"drawgear/rules"
	"drawgear/rules/law"
	"drawgear/rules/library"
	"drawgear/rules/quantity"
	"drawgear/rules/rig"
)

// The law of New South Wales with what it extends, written out as Go by hand, a
// function a rule: what evaluation would cost without an engine. It is written for
// one kind of rig only: an electric-braked trailer on a ball, built since 1988, of
// which everything is known but its speed and the grade that its breakaway holds.
// It knows nothing of unknown facts, units or other days. What is the same for
// every rig (citations, what a rule says) is looked up before the clock runs.

// byHand is the rig as such code would hold it: amounts in base units, and each
// entered figure as it was written.
type byHand struct {
	gtm, atm, laden, axles, ball, combination, vehicle   int64
	gcm, gvm, braked, towBall                            int64
	towbar, ballRated, coupling, chain, hold             int64
	built, registered                                    int32
	layout, kind, breakaway, hitch                       string
	brakedAxles, axleCount                               int
	iGTM, iATM, iLaden, iAxles, iBall, iKind, iTowBraked rig.Input
	iTowUnbraked, iTowBall, iFront, iRear, iGCM, iGVM    rig.Input
	iTowbar, iBallPart, iCoupling, iChain, iChainCount   rig.Input
	iBuilt, iRegistered, iBrakedAxles, iAxleCount, iCab  rig.Input
	iAway, iHold, iLayout, iHitch, iModified, iQuick     rig.Input
	iPositive, iSecondary, iMarked                       rig.Input
}

func newByHand(r *rig.Rig) *byHand {
	mass := func(path string) int64 { return r.Get(rig.Must(path)).Num }
	in := func(path string) rig.Input {
		f, _ := rig.Lookup(path)
		return rig.Input{Pointer: f.Pointer, Value: r.Text(f.ID)}
	}
	part := func(i int) rig.Input {
		return rig.Input{Pointer: "/parts/" + strconv.Itoa(i) + "/rated_mass", Value: r.Parts[i].RatedMass.Text()}
	}
	front := r.Inputs(rig.Must("vehicle.laden.total"))
	return &byHand{
		gtm: mass("trailer.rated.axles"), atm: mass("trailer.rated.total"), laden: mass("trailer.laden.total"), axles: mass("trailer.laden.axles"),
		ball: mass("trailer.laden.ball"), combination: mass("combination.laden.total"), vehicle: mass("vehicle.laden.total"),
		gcm: mass("vehicle.rated.combination"), gvm: mass("vehicle.rated.total"), braked: mass("vehicle.towing.braked"), towBall: mass("vehicle.towing.ball"),
		ballRated: r.Parts[0].RatedMass.Base(), towbar: r.Parts[1].RatedMass.Base(), coupling: r.Parts[2].RatedMass.Base(), chain: r.Parts[3].RatedMass.Base(),
		hold: mass("trailer.breakaway.hold"), built: int32(mass("trailer.built")), registered: int32(mass("trailer.first_registered")),
		layout: "centre_axle", kind: "electric", breakaway: "automatic", hitch: "ball", brakedAxles: 2, axleCount: 2,
		iGTM: in("trailer.rated.axles"), iATM: in("trailer.rated.total"), iLaden: in("trailer.laden.total"), iAxles: in("trailer.laden.axles"),
		iBall: in("trailer.laden.ball"), iKind: in("trailer.brakes.kind"), iTowBraked: in("vehicle.towing.braked"), iTowUnbraked: in("vehicle.towing.unbraked"),
		iTowBall: in("vehicle.towing.ball"), iFront: front[0], iRear: front[1], iGCM: in("vehicle.rated.combination"), iGVM: in("vehicle.rated.total"),
		iBallPart: part(0), iTowbar: part(1), iCoupling: part(2), iChain: part(3), iChainCount: rig.Input{Pointer: "/parts/3/count", Value: "1"},
		iBuilt: in("trailer.built"), iRegistered: in("trailer.first_registered"), iBrakedAxles: in("trailer.brakes.braked_axles"), iAxleCount: in("trailer.axle_count"),
		iCab: in("trailer.brakes.operable_from_cab"), iAway: in("trailer.breakaway.kind"), iHold: in("trailer.breakaway.hold"), iLayout: in("trailer.layout"),
		iHitch: in("trailer.hitch"), iModified: in("vehicle.modified"), iQuick: in("trailer.coupling.quick_release"), iPositive: in("trailer.coupling.positive_lock"),
		iSecondary: in("trailer.coupling.secondary_lock"), iMarked: in("trailer.coupling.marked"),
	}
}

// handRule is a rule with what is the same for every rig.
type handRule struct {
	finding rules.Finding // id, level and citation
	ids     []string
	asks    []string
	not     string
	remedy  string
	apply   func(r *byHand, h *handRule, w *handFindings)
}

// handFindings are gathered by status, the worst first.
type handFindings [4][]rules.Finding

func (w *handFindings) add(h *handRule, k int, f rules.Finding) {
	f.ID, f.Rule, f.Question, f.Level, f.Citation = h.ids[k], h.finding.Rule, h.asks[k], h.finding.Level, h.finding.Citation
	at := 2
	switch f.Status {
	case rules.NotMet:
		at = 0
		if h.remedy != "" {
			f.Remedy = h.remedy
		}
	case rules.Unknown:
		at = 1
	}
	w[at] = append(w[at], f)
}

func (w *handFindings) not(h *handRule, because string, in ...rig.Input) {
	f := h.finding
	f.Question, f.Status, f.Summary, f.Because, f.Inputs = h.asks[0], rules.NotApplicable, h.not, because, in
	w[3] = append(w[3], f)
}

const handKg = 100_000_000_000

func kgText(base int64) string {
	if base%handKg == 0 {
		return strconv.FormatInt(base/handKg, 10) + " kg"
	}
	return quantity.New(base, handUnit).Text()
}

var handUnit = quantity.MustParse(quantity.Mass, "1 kg").Unit()

// against tells on which side of a line of the law a mass lies.
func against(name string, v rig.Input, mass, line int64) string {
	switch {
	case mass > line:
		return name + " " + v.Value + " is over " + kgText(line) + " by " + kgText(mass-line)
	case mass == line:
		return name + " " + v.Value + " is not over " + kgText(line)
	default:
		return name + " " + v.Value + " is not over " + kgText(line) + " (" + kgText(line-mass) + " below)"
	}
}

func sentence(s string) string {
	if c := s[0]; 'a' <= c && c <= 'z' {
		return string(c-'a'+'A') + s[1:] + "."
	}
	return s + "."
}

// held holds one mass against another that it may not exceed.
func held(what string, mass int64, limit int64, why string, in ...rig.Input) rules.Finding {
	f := rules.Finding{Status: rules.Met, Inputs: in, Limit: kgText(limit), Margin: kgText(limit - mass)}
	switch {
	case mass < limit:
		f.Summary = what + " " + kgText(mass) + " is within " + f.Limit + " (" + why + "), by " + f.Margin + "."
	case mass == limit:
		f.Summary = what + " " + kgText(mass) + " is within " + f.Limit + " (" + why + "), exactly."
	default:
		f.Remedy = "Bring " + strings.ToLower(what[:1]) + what[1:] + " down to " + f.Limit + ", or change the part or vehicle that sets the limit."
		f.Status, f.Summary = rules.NotMet, what+" "+kgText(mass)+" is over "+f.Limit+" ("+why+"), by "+kgText(mass-limit)+"."
	}
	return f
}

// strong holds the rating of a part against what it must reach.
func strong(what string, rating, limit int64, why string, in ...rig.Input) rules.Finding {
	f := rules.Finding{Status: rules.Met, Inputs: in, Limit: kgText(limit), Margin: kgText(rating - limit)}
	switch {
	case rating > limit:
		f.Summary = what + " " + kgText(rating) + " reaches " + f.Limit + " (" + why + "), by " + f.Margin + "."
	case rating == limit:
		f.Summary = what + " " + kgText(rating) + " reaches " + f.Limit + " (" + why + "), exactly."
	default:
		f.Remedy = "Fit a " + strings.TrimPrefix(what, "The rated mass of the ") + " rated for at least " + f.Limit + "."
		f.Status, f.Summary = rules.NotMet, what+" "+kgText(rating)+" is under "+f.Limit+" ("+why+"), by "+kgText(limit-rating)+"."
	}
	return f
}

func since(r *byHand) string { return "trailer built " + r.iBuilt.Value + " is not before 1988-07-01" }

func because(f rules.Finding, why string) rules.Finding { f.Because = why; return f }

func met(summary, why, limit, margin string, in ...rig.Input) rules.Finding {
	return rules.Finding{Status: rules.Met, Summary: summary, Because: why, Limit: limit, Margin: margin, Inputs: in}
}

const handAlways = "Always applies."

// bands: over 2500 kg GTM the trailer rules speak only up to 4500 kg ATM.
func bands(r *byHand, first string) (why string, in []rig.Input, ok bool) {
	switch {
	case r.gtm <= 2500*handKg:
		return sentence(first + "; " + since(r) + "; " + against("GTM", r.iGTM, r.gtm, 2500*handKg)), []rig.Input{r.iGTM, r.iBuilt}, true
	case r.atm <= 4500*handKg:
		return sentence(first + "; " + since(r) + "; " + against("ATM", r.iATM, r.atm, 4500*handKg)), []rig.Input{r.iGTM, r.iBuilt, r.iATM}, true
	default:
		return sentence(against("GTM", r.iGTM, r.gtm, 2500*handKg) + "; " + against("ATM", r.iATM, r.atm, 4500*handKg)), []rig.Input{r.iGTM, r.iATM}, false
	}
}

func join(first rig.Input, more []rig.Input) []rig.Input { return append([]rig.Input{first}, more...) }

const handKinds = "electric, electric hydraulic, hydraulic, air, vacuum"

// handLaw are the rules in the order of the law.
var handLaw = []struct {
	id    string
	apply func(r *byHand, h *handRule, w *handFindings)
}{
	{"ratings.vehicle-limit", func(r *byHand, h *handRule, w *handFindings) {
		w.add(h, 0, because(held("Trailer laden total", r.laden, r.braked, "vehicle towing limit", r.iLaden, r.iKind, r.iTowBraked, r.iTowUnbraked), "Vehicle towing maker rating: yes."))
	}},
	{"ratings.parts", func(r *byHand, h *handRule, w *handFindings) {
		w.add(h, 0, because(strong("The rated mass of the towbar", r.towbar, r.laden, "trailer laden total", r.iTowbar, r.iLaden), handAlways))
		w.add(h, 1, because(strong("The rated mass of the ball", r.ballRated, r.laden, "trailer laden total", r.iBallPart, r.iLaden), handAlways))
		w.add(h, 2, because(strong("The rated mass of the coupling", r.coupling, r.laden, "trailer laden total", r.iCoupling, r.iLaden), handAlways))
	}},
	{"ratings.ball", func(r *byHand, h *handRule, w *handFindings) {
		w.add(h, 0, because(held("The load on the coupling", r.ball, r.towBall, "vehicle towing ball", r.iBall, r.iTowBall), handAlways))
	}},
	{"ratings.combination", func(r *byHand, h *handRule, w *handFindings) {
		w.add(h, 0, because(held("Combination laden total", r.combination, r.gcm, "GCM", r.iFront, r.iRear, r.iLaden, r.iGCM), handAlways))
	}},
	{"ratings.vehicle-total", func(r *byHand, h *handRule, w *handFindings) {
		w.add(h, 0, because(held("Vehicle laden total", r.vehicle, r.gvm, "GVM", r.iFront, r.iRear, r.iGVM), handAlways))
	}},
	{"ratings.trailer-total", func(r *byHand, h *handRule, w *handFindings) {
		w.add(h, 0, because(held("Trailer laden total", r.laden, r.atm, "ATM", r.iLaden, r.iATM), handAlways))
	}},
	{"ratings.trailer-axles", func(r *byHand, h *handRule, w *handFindings) {
		w.add(h, 0, because(held("Trailer laden axles", r.axles, r.gtm, "GTM", r.iAxles, r.iGTM), handAlways))
	}},
	{"ratings.parts-full", func(r *byHand, h *handRule, w *handFindings) {
		w.add(h, 0, because(strong("The rated mass of the towbar", r.towbar, r.braked, "vehicle towing braked", r.iTowbar, r.iTowBraked), handAlways))
		w.add(h, 1, because(strong("The rated mass of the ball", r.ballRated, r.braked, "vehicle towing braked", r.iBallPart, r.iTowBraked), handAlways))
		w.add(h, 2, because(strong("The rated mass of the coupling", r.coupling, r.braked, "vehicle towing braked", r.iCoupling, r.iTowBraked), handAlways))
	}},
	{"au.brakes.adr.none-le-750", func(r *byHand, h *handRule, w *handFindings) {
		w.not(h, sentence(against("GTM", r.iGTM, r.gtm, 750*handKg)), r.iGTM)
	}},
	{"au.brakes.adr.required-gt-750", func(r *byHand, h *handRule, w *handFindings) {
		why, in, ok := bands(r, against("GTM", r.iGTM, r.gtm, 750*handKg))
		if !ok {
			w.not(h, why, in...)
			return
		}
		w.add(h, 0, met("The trailer has service brakes.", why, "", "", join(r.iKind, in)...))
	}},
	{"au.brakes.adr.one-axle-750-2000", below2000(func(r *byHand, h *handRule, w *handFindings, why string) {
		w.add(h, 0, met("Braked axles: 2; at least one is asked.", why, "", "", r.iBrakedAxles, r.iGTM, r.iBuilt))
	})},
	{"au.brakes.adr.all-wheels-gt-2000", over2000(func(r *byHand, h *handRule, w *handFindings, why string, in []rig.Input) {
		w.add(h, 0, met(allWheels(r), why, "2 axles", "", append([]rig.Input{r.iBrakedAxles, r.iAxleCount}, in...)...))
	})},
	{"au.brakes.adr.types-le-2000", below2000(func(r *byHand, h *handRule, w *handFindings, why string) {
		w.add(h, 0, met("Brake kind electric is permitted.", why, "overrun, surge, "+handKinds, "", r.iKind, r.iGTM, r.iBuilt))
	})},
	{"au.brakes.adr.driver-operated-le-2000", func(r *byHand, h *handRule, w *handFindings) {
		gtm := against("GTM", r.iGTM, r.gtm, 2000*handKg)
		if r.gtm > 2000*handKg {
			w.not(h, sentence(gtm), r.iGTM)
			return
		}
		why := sentence(against("GTM", r.iGTM, r.gtm, 750*handKg) + "; " + gtm + "; " + since(r) + "; trailer brakes kind is electric")
		w.add(h, 0, met("The driver can work the trailer brakes from the seat.", why, "", "", r.iCab, r.iGTM, r.iBuilt, r.iKind))
	}},
	{"au.brakes.adr.driver-operated-gt-2000", over2000(func(r *byHand, h *handRule, w *handFindings, why string, in []rig.Input) {
		w.add(h, 0, met("Brake kind electric is permitted.", why, handKinds, "", join(r.iKind, in)...))
		w.add(h, 1, met("The driver can work the trailer brakes from the seat.", why, "", "", join(r.iCab, in)...))
	})},
	{"au.brakes.adr3805.r13-overrun", electric},
	{"au.brakes.inservice.driver-operates-r13", electric},
	{"au.brakes.inservice.gt-750", old},
	{"au.brakes.inservice.pre-1988-exempt", func(r *byHand, h *handRule, w *handFindings) {
		if r.gtm > 2000*handKg {
			w.not(h, sentence(against("GTM", r.iGTM, r.gtm, 2000*handKg)), r.iGTM)
			return
		}
		old(r, h, w)
	}},
	{"au.brakes.inservice.special-purpose-exempt", oldOver2000},
	{"au.brakes.inservice.all-wheels-semi", oldOver2000},
	{"au.brakes.inservice.driver-operates", oldOver2000},
	{"au.breakaway.none-le-2000", func(r *byHand, h *handRule, w *handFindings) {
		why := sentence(against("GTM", r.iGTM, r.gtm, 2000*handKg))
		if r.gtm > 2000*handKg {
			w.not(h, why, r.iGTM)
			return
		}
		w.add(h, 0, met("No breakaway device is asked for.", why, "2000 kg", kgText(2000*handKg-r.gtm), r.iGTM))
	}},
	{"au.breakaway.adr.gt-2000", over2000(func(r *byHand, h *handRule, w *handFindings, why string, in []rig.Input) {
		w.add(h, 0, met("There is an automatic breakaway for separation.", why, "", "", join(r.iAway, in)...))
		w.add(h, 1, met("Breakaway automatic is permitted.", why, "automatic", "", join(r.iAway, in)...))
		w.add(h, 2, met("The time the breakaway brake holds "+r.iHold.Value+" reaches 15 min, exactly.", why, "15 min", "0 min", join(r.iHold, in)...))
	})},
	{"au.breakaway.inservice", oldOver2000},
	{"au.breakaway.inservice-grade", func(r *byHand, h *handRule, w *handFindings) {
		gtm := against("GTM", r.iGTM, r.gtm, 2000*handKg)
		var why string
		in := []rig.Input{r.iGTM, r.iATM}
		switch {
		case r.gtm <= 2000*handKg:
			w.not(h, sentence(gtm), r.iGTM)
			return
		case r.gtm <= 2500*handKg:
			why, in = sentence(gtm+"; "+against("GTM", r.iGTM, r.gtm, 2500*handKg)), in[:1]
		case r.atm <= 4500*handKg:
			why = sentence(gtm + "; " + against("ATM", r.iATM, r.atm, 4500*handKg))
		default:
			w.not(h, sentence(against("GTM", r.iGTM, r.gtm, 2500*handKg)+"; "+against("ATM", r.iATM, r.atm, 4500*handKg)), in...)
			return
		}
		w.add(h, 0, rules.Finding{
			Status: rules.Unknown, Summary: "The grade on which the breakaway brake holds is not known; the limit is 12 %.",
			Because: why, Inputs: in, WaitsFor: []string{"/trailer/breakaway/holds_grade"},
		})
	}},
	{"au.chains.adr.le-2500", func(r *byHand, h *handRule, w *handFindings) {
		atm := against("ATM", r.iATM, r.atm, 2500*handKg)
		if r.atm > 2500*handKg {
			w.not(h, sentence(atm), r.iATM)
			return
		}
		why := sentence(atm + "; " + since(r) + "; trailer layout is " + r.layout)
		w.add(h, 0, met("One safety chain or cable is asked, 1 fitted.", why, "1", "0", r.iChainCount, r.iATM, r.iBuilt, r.iLayout))
		w.add(h, 1, met("One safety chain or cable is asked, 1 fitted.", why, "1", "0", r.iChainCount, r.iATM, r.iBuilt, r.iLayout))
		w.add(h, 2, because(strong("The rated mass of each chain", r.chain, r.atm, "ATM", r.iChain, r.iATM, r.iBuilt, r.iLayout), why))
	}},
	{"au.chains.adr.2500-3500", func(r *byHand, h *handRule, w *handFindings) {
		w.not(h, sentence(against("ATM", r.iATM, r.atm, 2500*handKg)), r.iATM)
	}},
	{"au.chains.adr.gt-3500", func(r *byHand, h *handRule, w *handFindings) {
		w.not(h, sentence(against("ATM", r.iATM, r.atm, 3500*handKg)), r.iATM)
	}},
	{"au.chains.adr.excused", func(r *byHand, h *handRule, w *handFindings) {
		w.not(h, "Trailer layout is "+r.layout+".", r.iLayout)
	}},
	{"au.chains.inservice-146", old},
	{"au.chains.inservice-146-excused", old},
	{"au.coupling.quick-release", func(r *byHand, h *handRule, w *handFindings) {
		why := sentence(against("ATM", r.iATM, r.atm, 3500*handKg) + "; " + since(r))
		w.add(h, 0, met("The coupling is worked without tools.", why, "", "", r.iQuick, r.iATM, r.iBuilt))
		w.add(h, 1, met("The coupling has a positive lock.", why, "", "", r.iPositive, r.iATM, r.iBuilt))
		w.add(h, 2, met("A second means keeps the coupling locked.", why, "", "", r.iSecondary, r.iATM, r.iBuilt))
	}},
	{"au.coupling.rated-for-atm", func(r *byHand, h *handRule, w *handFindings) {
		why := sentence(against("ATM", r.iATM, r.atm, 4500*handKg) + "; trailer hitch is ball")
		w.add(h, 0, because(strong("The rated mass of the coupling", r.coupling, r.atm, "ATM", r.iCoupling, r.iATM, r.iHitch), why))
		w.add(h, 1, because(strong("The rated mass of the ball", r.ballRated, r.atm, "ATM", r.iBallPart, r.iATM, r.iHitch), why))
	}},
	{"au.coupling.marking", func(r *byHand, h *handRule, w *handFindings) {
		why := sentence("trailer hitch is ball; " + against("ATM", r.iATM, r.atm, 3500*handKg) + "; " + since(r))
		w.add(h, 0, met("The coupling carries its mark and rating.", why, "", "", r.iMarked, r.iHitch, r.iATM, r.iBuilt))
	}},
	{"au-nsw.mass.braked", makersFigure},
	{"au-nsw.mass.unbraked", makersFigure},
	{"au-nsw.mass.modified-braked", unmodified},
	{"au-nsw.mass.modified-unbraked", unmodified},
	{"au-nsw.mass.maker", func(r *byHand, h *handRule, w *handFindings) {
		w.add(h, 0, because(held("Trailer laden total", r.laden, r.braked, "vehicle towing limit", r.iLaden, r.iKind, r.iTowBraked, r.iTowUnbraked), "Vehicle towing maker rating: yes."))
	}},
	{"au-nsw.mass.attachment", func(r *byHand, h *handRule, w *handFindings) {
		w.add(h, 0, because(strong("The rated mass of the towbar", r.towbar, r.laden, "trailer laden total", r.iTowbar, r.iLaden), handAlways))
	}},
	{"au-nsw.brakes.practice-gt-2000", func(r *byHand, h *handRule, w *handFindings) {
		gtm := against("GTM", r.iGTM, r.gtm, 2000*handKg)
		if r.gtm <= 2000*handKg {
			w.not(h, sentence(gtm), r.iGTM)
			return
		}
		why := sentence(gtm + "; " + since(r))
		w.add(h, 0, met("Brake kind electric is permitted.", why, handKinds, "", r.iKind, r.iGTM, r.iBuilt))
		w.add(h, 1, met(allWheels(r), why, "2 axles", "", r.iBrakedAxles, r.iAxleCount, r.iGTM, r.iBuilt))
		w.add(h, 2, met("The driver can work the trailer brakes from the seat.", why, "", "", r.iCab, r.iGTM, r.iBuilt))
	}},
	{"au-nsw.brakes.practice-gt-2000-old", oldOver2000},
	{"au-nsw.indicator.from-2017", func(r *byHand, h *handRule, w *handFindings) {
		why := sentence(against("GTM", r.iGTM, r.gtm, 2000*handKg))
		if r.gtm <= 2000*handKg {
			w.not(h, why, r.iGTM)
			return
		}
		w.add(h, 0, met("No battery indicator at the driver's seat is asked for.", why, "2000 kg", kgText(r.gtm-2000*handKg), r.iGTM))
		w.add(h, 1, met("No charge feed from the vehicle is asked for.", why, "2000 kg", kgText(r.gtm-2000*handKg), r.iGTM))
	}},
	{"au-nsw.chain.rule-146", old},
	{"au-nsw.chain.rule-146-excused", old},
	{"au-nsw.chain.crossed", func(r *byHand, h *handRule, w *handFindings) {
		if r.atm <= 2500*handKg {
			w.not(h, sentence(against("ATM", r.iATM, r.atm, 2500*handKg)), r.iATM)
			return
		}
		w.not(h, "Trailer breakaway kind is automatic.", r.iAway)
	}},
	{"au-nsw.coupling.positive-lock", func(r *byHand, h *handRule, w *handFindings) {
		w.add(h, 0, met("The coupling has a positive lock.", "Trailer layout is "+r.layout+".", "", "", r.iPositive, r.iLayout))
	}},
	{"au-nsw.coupling.marking-1963", func(r *byHand, h *handRule, w *handFindings) {
		w.add(h, 0, met("The coupling carries its mark and rating.", "Trailer first registered "+r.iRegistered.Value+" is not before 1963-08-01.", "", "", r.iMarked, r.iRegistered))
	}},
	{"au-nsw.speed.gvm-gcm-4500", func(r *byHand, h *handRule, w *handFindings) {
		w.add(h, 0, rules.Finding{
			Status: rules.Unknown, Summary: "The speed is not known; the limit is 100 km/h.", Because: sentence(against("GCM", r.iGCM, r.gcm, 4500*handKg)),
			Inputs: []rig.Input{r.iGCM}, Limit: "4500 kg", Margin: kgText(r.gcm - 4500*handKg), WaitsFor: []string{"/use/speed"},
		})
	}},
}

func allWheels(r *byHand) string {
	return "All wheels are braked: " + strconv.Itoa(r.brakedAxles) + " of " + strconv.Itoa(r.axleCount) + " axles."
}

func electric(r *byHand, h *handRule, w *handFindings) {
	w.not(h, "Trailer brakes kind is "+r.kind+".", r.iKind)
}

func old(r *byHand, h *handRule, w *handFindings) { w.not(h, sentence(since(r)), r.iBuilt) }

func oldOver2000(r *byHand, h *handRule, w *handFindings) {
	if r.gtm <= 2000*handKg {
		w.not(h, sentence(against("GTM", r.iGTM, r.gtm, 2000*handKg)), r.iGTM)
		return
	}
	old(r, h, w)
}

func makersFigure(r *byHand, h *handRule, w *handFindings) {
	w.not(h, "Vehicle towing maker rating: yes.", r.iTowBraked, r.iTowUnbraked)
}

func unmodified(r *byHand, h *handRule, w *handFindings) {
	w.not(h, "Vehicle modified: no.", r.iModified)
}

func below2000(then func(r *byHand, h *handRule, w *handFindings, why string)) func(*byHand, *handRule, *handFindings) {
	return func(r *byHand, h *handRule, w *handFindings) {
		gtm := against("GTM", r.iGTM, r.gtm, 2000*handKg)
		if r.gtm > 2000*handKg {
			w.not(h, sentence(gtm), r.iGTM)
			return
		}
		then(r, h, w, sentence(against("GTM", r.iGTM, r.gtm, 750*handKg)+"; "+gtm+"; "+since(r)))
	}
}

func over2000(then func(r *byHand, h *handRule, w *handFindings, why string, in []rig.Input)) func(*byHand, *handRule, *handFindings) {
	return func(r *byHand, h *handRule, w *handFindings) {
		gtm := against("GTM", r.iGTM, r.gtm, 2000*handKg)
		if r.gtm <= 2000*handKg {
			w.not(h, sentence(gtm), r.iGTM)
			return
		}
		why, in, ok := bands(r, gtm)
		if !ok {
			w.not(h, why, in...)
			return
		}
		then(r, h, w, why, in)
	}
}

func handRules(t testing.TB, a *rules.Answer) []*handRule {
	t.Helper()
	texts := map[string]*law.Rule{}
	for _, ref := range a.Rulesets {
		rs, _ := book(t).Version(ref.ID, ref.Version)
		for _, r := range rs.Rules {
			texts[r.ID] = r
		}
	}
	citations := map[string]rules.Citation{}
	for _, f := range a.Findings {
		citations[f.Rule] = f.Citation
	}
	var out []*handRule
	for _, x := range handLaw {
		text := texts[x.id]
		h := &handRule{apply: x.apply, not: "Does not apply: " + text.Says, remedy: text.Remedy}
		h.finding = rules.Finding{ID: x.id, Rule: x.id, Level: text.Level, Citation: citations[x.id]}
		for i := range text.Duties {
			h.ids, h.asks = append(h.ids, x.id+"/"+text.Duties[i].Question), append(h.asks, text.Duties[i].Question)
		}
		out = append(out, h)
	}
	return out
}

func (r *byHand) findings(law []*handRule) []rules.Finding {
	w := handFindings{nil, make([]rules.Finding, 0, 4), make([]rules.Finding, 0, 48), make([]rules.Finding, 0, 40)}
	for _, h := range law {
		h.apply(r, h, &w)
	}
	out := make([]rules.Finding, 0, len(w[0])+len(w[1])+len(w[2])+len(w[3]))
	for _, fs := range w {
		out = append(out, fs...)
	}
	return out
}

func floatWith(t testing.TB, gtm, atm, laden string) *rig.Rig {
	t.Helper()
	document, err := os.ReadFile("../testdata/rigs/horse-float.json")
	if err != nil {
		t.Fatal(err)
	}
	text := string(document)
	for _, x := range [][2]string{
		{`"rated": {"total": "2400 kg", "axles": "2200 kg"}`, fmt.Sprintf(`"rated": {"total": %q, "axles": %q}`, atm, gtm)},
		{`"laden": {"total": "2300 kg", "axles": "2100 kg", "ball": "200 kg"}`, laden},
	} {
		if strings.Count(text, x[0]) != 1 {
			t.Fatalf("the demo rig has no %s", x[0])
		}
		text = strings.Replace(text, x[0], x[1], 1)
	}
	r, err := rig.Decode([]byte(text))
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// book is the law that ships.
func book(t testing.TB) *rules.Book {
	t.Helper()
	b, err := library.Book()
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// handRigs lie on both sides of the lines of the law; the first is the demo rig.
func handRigs(t testing.TB) []*rig.Rig {
	var out []*rig.Rig
	for _, m := range [][4]string{
		{"2200 kg", "2400 kg", "2300 kg", "2100 kg"},
		{"2000 kg", "2400 kg", "2300 kg", "2100 kg"},
		{"2000.5 kg", "2300 kg", "2300 kg", "2100 kg"},
		{"1999.999 kg", "2500 kg", "2500 kg", "2300 kg"},
		{"2300 kg", "2500 kg", "2600 kg", "2400 kg"},
		{"2500 kg", "2500 kg", "2400 kg", "2200 kg"},
		{"1500 kg", "1700 kg", "3600 kg", "3400 kg"},
	} {
		out = append(out, floatWith(t, m[0], m[1], fmt.Sprintf(`"laden": {"total": %q, "axles": %q, "ball": "200 kg"}`, m[2], m[3])))
	}
	return out
}

// TestByHand holds what the benchmark compares with to be the same thing: the
// findings by hand, and those that are made without the rest of an answer.
func TestByHand(t *testing.T) {
	for _, r := range handRigs(t) {
		day, _ := r.AsOf()
		a, err := book(t).Assess(r, day)
		if err != nil {
			t.Fatal(err)
		}
		if alone, err := book(t).Findings(r, day); err != nil || !reflect.DeepEqual(alone, a.Findings) {
			t.Errorf("%v\n%v\nnot\n%v", err, alone, a.Findings)
		}
		got := newByHand(r).findings(handRules(t, a))
		for i := range max(len(got), len(a.Findings)) {
			if i >= len(got) || i >= len(a.Findings) || !reflect.DeepEqual(got[i], a.Findings[i]) {
				w, _ := json.MarshalIndent(a.Findings[min(i, len(a.Findings)-1)], "", " ")
				g, _ := json.MarshalIndent(got[min(i, len(got)-1)], "", " ")
				t.Errorf("%d findings by hand, %d by the book; finding %d by hand %s\nby the book %s", len(got), len(a.Findings), i, g, w)
				break
			}
		}
	}
}

// BenchmarkAssess sets an assessment, with all that an answer holds, beside code by
// hand that writes its findings and nothing else.
func BenchmarkAssess(b *testing.B) {
	r := handRigs(b)[0]
	day, _ := r.AsOf()
	held := book(b)
	a, err := held.Assess(r, day)
	if err != nil {
		b.Fatal(err)
	}
	b.Run("by the book", func(b *testing.B) {
		b.ReportAllocs()
		for b.Loop() {
			sinkAnswer, _ = held.Assess(r, day)
		}
	})
	b.Run("by the book without words", func(b *testing.B) {
		b.ReportAllocs()
		for b.Loop() {
			sinkJudgement, _ = held.Judge(r, day)
		}
	})
	b.Run("by the book, findings only", func(b *testing.B) {
		b.ReportAllocs()
		for b.Loop() {
			sinkFindings, _ = held.Findings(r, day)
		}
	})
	b.Run("by hand, findings only", func(b *testing.B) {
		law, r := handRules(b, a), newByHand(r)
		b.ReportAllocs()
		for b.Loop() {
			sinkFindings = r.findings(law)
		}
	})
}

var (
	sinkAnswer    *rules.Answer
	sinkJudgement rules.Judgement
	sinkFindings  []rules.Finding
)

// TestAssessAllocates keeps an assessment to a few pieces of memory.
func TestAssessAllocates(t *testing.T) {
	r := handRigs(t)[0]
	day, _ := r.AsOf()
	held := book(t)
	if n := testing.AllocsPerRun(20, func() { sinkAnswer, _ = held.Assess(r, day) }); n > 150 {
		t.Errorf("an assessment makes %v allocations", n)
	}
}
