package loads

import (
	"slices"

	"drawgear/rules/mech"
)

// values are the lines of a part marked with D, Dc or V. What they ask follows
// from the plates of vehicle and trailer, never from today's loads, so that both
// columns hold the same. A device marked with Dc is judged by it behind which a
// rigid drawbar runs, and by V too if that is a centre-axle trailer; every other by
// D. Source: mech.FactWhichValues, and mech.Judged, whose choice this is.
func (c *chain) values(i int) {
	p, layout := c.r.Parts[i], c.r.Get(trailerLayout)
	rigid := slices.Contains([]string{"centre_axle", "rigid_drawbar"}, layout.Word)
	byDc := !p.DcValue.IsZero() || !p.VValue.IsZero()

	if !p.DValue.IsZero() {
		d, src := c.needD(byDc)
		e := c.line(partID(i, "d_value"), "the D value of the "+c.name(i), AtMost, partAmount(c.r, i, "d_value"), d, d, src)
		if byDc && rigid {
			e.apply(notApplicable("a device marked with Dc is judged by that behind a rigid drawbar"))
		}
	}
	if !p.DcValue.IsZero() {
		dc := c.horizontal(fact(c.r, trailerRatedAxles), "C")
		e := c.line(partID(i, "dc_value"), "the Dc value of the "+c.name(i), AtMost, partAmount(c.r, i, "dc_value"), c.forLayout(dc), c.forLayout(dc), from(mech.FactDc))
		if layout.Known && !rigid {
			e.apply(notApplicable("Dc is for centre-axle trailers and rigid drawbars"))
		}
	}
	if !p.VValue.IsZero() {
		v := c.forLayout(c.vertical())
		e := c.line(partID(i, "v_value"), "the V value of the "+c.name(i), AtMost, partAmount(c.r, i, "v_value"), v, v, from(mech.FactV))
		rated := fact(c.r, trailerRatedTotal)
		switch {
		case layout.Known && layout.Word != "centre_axle":
			e.apply(notApplicable("V is for centre-axle trailers"))
		case rated.known() && rated.v.cmp(frac(mech.VFrom, 1)) <= 0:
			e.apply(notApplicable("V counts above a plated 3.5 t (boundary from memory)"))
		}
	}
}

func (e *entry) apply(h Held) {
	e.Now, e.Full = h, h
	e.use = [2]fraction{}
}

// forLayout keeps a figure unknown until it is known what runs behind.
func (c *chain) forLayout(a amount) amount {
	if c.r.Known(trailerLayout) {
		return a
	}
	return with(a, unknown("", pointer(trailerLayout))).as(a.formula)
}

// needD is the D that the rig asks for.
func (c *chain) needD(byDc bool) (amount, Source) {
	layout, hitch := word(c.r, trailerLayout), word(c.r, trailerHitch)
	switch layout {
	case "semi":
		if hitch == "fifth_wheel" {
			return c.semi(), from(mech.FactSemiD)
		}
		why := unknown("for a semi-trailer a D value is only held for a fifth wheel")
		if hitch == "" {
			why = unknown("", pointer(trailerHitch))
		}
		return why.as("0.6 x 9.81 x T x R / (T + R - U)"), from(mech.FactSemiD)
	case "pole", "dolly":
		return unknown("no D value is held for this layout").as("9.81 x T x R / (T + R)"), from(mech.FactD)
	}
	d := c.horizontal(fact(c.r, trailerRatedTotal), "R")
	// Behind a ball the formula is the same for every trailer that has a drawbar.
	if layout == "" && (byDc || hitch != "ball") {
		d = c.forLayout(d)
	}
	return d, from(mech.FactD)
}

// horizontal is 9.81 T x/(T + x) in kN, T being the plated vehicle. Sources:
// mech.FactD, FactDc.
func (c *chain) horizontal(x amount, symbol string) amount {
	t := fact(c.r, vehicleRatedTotal)
	return kN(over(times(t, x), plus(t, x))).as("9.81 x T x " + symbol + " / (T + " + symbol + ") / 1000, T = vehicle.rated.total, " + symbol + " = " + x.formula)
}

// kN turns a mass in kg into its weight in kN at 9.81 m/s2.
func kN(m amount) amount {
	return times(m, exact(gravity.quo(frac(1000, 1)), bare)).in(kilonewton)
}

// semi is 0.6 x 9.81 T R/(T + R - U). Source: mech.FactSemiD.
func (c *chain) semi() amount {
	t, r, u := fact(c.r, vehicleRatedTotal), fact(c.r, trailerRatedTotal), c.full.ball
	d := times(kN(over(times(t, r), minus(plus(t, r), u))), exact(frac(6, 10), bare))
	return d.as("0.6 x 9.81 x T x R / (T + R - U) / 1000, T = vehicle.rated.total, R = trailer.rated.total, U = " + u.formula)
}

// vertical is a max(1, X2/L2) C in kN. Source: mech.FactV, for coupling loads
// within mech.FactCentreAxleBall.
func (c *chain) vertical() amount {
	x, l, mass := fact(c.r, trailerLoadLength), fact(c.r, trailerBallToAxle), fact(c.r, trailerRatedAxles)
	const formula = "a x max(1, X2/L2) x C / 1000; a = 1.8 m/s2 on air suspension, else 2.4; X = load_length, L = ball_to_axle, C = trailer.rated.axles"
	air, known := c.r.Bool(vehicleRearAir)
	a := exact(frac(24, 10), bare)
	if air {
		a = exact(frac(18, 10), bare)
	}
	a.inputs = c.r.Inputs(vehicleRearAir)
	if !known {
		a = unknown("", pointer(vehicleRearAir))
	}
	ratio := over(x, l).in(bare)
	ratio = times(ratio, ratio)
	if ratio.known() && ratio.v.cmp(one) < 0 {
		ratio.v = one
	}
	v := times(times(mass, ratio), a)
	v = times(v, exact(frac(1, 1000), bare)).in(kilonewton)
	rated, ball := fact(c.r, trailerRatedTotal), c.full.ball
	if allKnown(rated, ball) {
		most := rated.v.quo(frac(10, 1))
		if most.cmp(frac(1000, 1)) > 0 {
			most = frac(1000, 1)
		}
		if ball.v.cmp(most) > 0 {
			return with(v, unknown("the formula holds for a coupling load of at most a tenth of the trailer and 1000 kg")).as(formula)
		}
		if ball.bound != Exact {
			v = v.assuming(Estimate, ball.assumption, ball.missing...)
		}
	} else {
		return with(v, rated, ball).as(formula)
	}
	return v.as(formula)
}
