package mech_test

import (
	"errors"
	"fmt"
	"math"
	"strings"
	"testing"

	"drawgear/rules/mech"
)

// exact stands for a check that states no precision: what a few roundings of
// binary fractions leave.
const exact = 0

// value is one figure of a check. Figures are held to the precision of the
// check, or to one of their own where the expected figure is printed rounded.
type value struct {
	name      string
	got, want float64
	precision float64
}

// checks are worked examples. The expected figures are printed or were worked
// out outside this program; each says how.
var checks = []struct {
	id        string
	fact      mech.Fact
	precision float64
	obtained  string
	run       func(must) []value
}{
	{"c.d.18_22", mech.FactD, 0.001, "body-builder guide prints 97 kN; 9.81 x 9.9", func(m must) []value {
		return []value{{name: "D", got: m.one(mech.D(18000, 22000)), want: 97.119}}
	}},
	{"c.d.18_14", mech.FactD, 0.0001, "inputs from a truck glossary; 9.81 x 7.875 by hand", func(m must) []value {
		return []value{{name: "D", got: m.one(mech.D(18000, 14000)), want: 77.2538}}
	}},
	{"c.d.35_35", mech.FactD, exact, "9.81 x 1.75 by hand; the 17.7 kN that one trade page prints is a misprint", func(m must) []value {
		return []value{{name: "D", got: m.one(mech.D(3500, 3500)), want: 17.1675}}
	}},
	{"c.d.153_12", mech.FactD, 0.0001, "inputs from a UNECE informal document; by hand", func(m must) []value {
		return []value{{name: "D", got: m.one(mech.D(1530, 1200)), want: 6.5975}}
	}},
	{"c.d.20_15", mech.FactD, 0.0001, "9.81 x 0.857143 by hand", func(m must) []value {
		return []value{{name: "D", got: m.one(mech.D(2000, 1500)), want: 8.4086}}
	}},
	{"c.d.units_kg", mech.FactD, exact, "9.81 x 10/9 by hand", func(m must) []value {
		return []value{{name: "D", got: m.one(mech.D(2500, 2000)), want: 10.9}}
	}},
	{"c.dc.260_9", mech.FactDc, 0.0001, "9.81 x 10.636364 by hand", func(m must) []value {
		return []value{{name: "Dc", got: m.one(mech.Dc(26000, 18000)), want: 104.3427}}
	}},
	{"c.dc.vs_d", mech.FactDc, 0.0001, "by hand; Dc is below D for the same trailer", func(m must) []value {
		axles := m.one(mech.OnWheels(2000, 100))
		return []value{
			{name: "D", got: m.one(mech.D(3000, 2000)), want: 11.772},
			{name: "Dc", got: m.one(mech.Dc(3000, axles)), want: 11.4116},
		}
	}},
	{"c.dc.T_including_S", mech.FactDc, 0.0001, "by hand", func(m must) []value {
		c, err := mech.Coupling(18000, 1000, 18000)
		m.ok(err)
		return []value{
			{name: "T", got: c.Vehicle, want: 19000},
			{name: "Dc", got: m.one(mech.Dc(c.Vehicle, 17000)), want: 88.0175},
		}
	}},
	{"c.semi", mech.FactSemiD, 0.0001, "by hand", func(m must) []value {
		return []value{{name: "D", got: m.one(mech.SemiD(17000, 33000, 10500)), want: 83.5961}}
	}},
	{"c.semi.16", mech.FactSemiD, exact, "inputs from a truck glossary; 0.6 x 9.81 x 256/24 by hand", func(m must) []value {
		return []value{{name: "D", got: m.one(mech.SemiD(16000, 16000, 8000)), want: 62.784}}
	}},
	{"c.v.steel", mech.FactV, 0.0001, "by hand", func(m must) []value {
		v, err := mech.V(9000, 7, 5.5, false)
		m.ok(err)
		return []value{{name: "ratio", got: v.Ratio, want: 1.619835, precision: 1e-6}, {name: "V", got: v.KN, want: 34.9884}}
	}},
	{"c.v.air", mech.FactV, 0.0001, "by hand", func(m must) []value {
		v, err := mech.V(9000, 7, 5.5, true)
		m.ok(err)
		return []value{{name: "V", got: v.KN, want: 26.2413}}
	}},
	{"c.v.floor", mech.FactV, exact, "16/25 is below 1; 2.4 x 9", func(m must) []value {
		v, err := mech.V(9000, 4, 5, false)
		m.ok(err)
		return []value{{name: "ratio", got: v.Ratio, want: 0.64}, {name: "used", got: v.Used, want: 1}, {name: "V", got: v.KN, want: 21.6}}
	}},
	{"c.v.kg", mech.FactV, 0.0001, "by hand", func(m must) []value {
		v, err := mech.V(16000, 6.2, 6, true)
		m.ok(err)
		return []value{{name: "ratio", got: v.Ratio, want: 1.067778, precision: 1e-6}, {name: "V", got: v.KN, want: 30.752}}
	}},
	{"c.inv.154", mech.FactDInverse, 0.0001, "a German page prints 2400, 2900 and 3100 kg rounded; by hand", func(m must) []value {
		var vs []value
		for t, r := range map[float64]float64{4600: 2.3831, 3400: 2.9163, 3100: 3.1803} {
			kg, limited, err := mech.MaxTrailer(15.4, t)
			m.ok(err)
			m.is("limited", limited, true)
			vs = append(vs, value{name: fmt.Sprint("R for ", t), got: kg / 1000, want: r})
		}
		return vs
	}},
	{"c.inv.none", mech.FactDInverse, exact, "g T = 16.677 kN, which is not above 17", func(m must) []value {
		kg, limited, err := mech.MaxTrailer(17, 1700)
		m.ok(err)
		m.is("limited", limited, false)
		return []value{{name: "R", got: kg, want: 0}}
	}},
	{"c.inv.11", mech.FactDInverse, 0.0001, "by hand", func(m must) []value {
		kg, limited, err := mech.MaxTrailer(11, 2500)
		m.ok(err)
		m.is("limited", limited, true)
		return []value{{name: "R", got: kg / 1000, want: 2.0333}}
	}},
	{"c.adr.point", mech.FactChainPoint, exact, "9.81 x 3500 by hand", func(m must) []value {
		f, err := mech.ChainPoint(3500)
		m.ok(err)
		return []value{{name: "longitudinal", got: f.Longitudinal, want: 34335}, {name: "vertical", got: f.Vertical, want: 17167.5}}
	}},
	{"c.adr.heavy", mech.FactDrawbarHeavy, exact, "2.25 x 150; 2.25 x 160 = 360 is capped", func(m must) []value {
		return []value{
			{name: "150", got: m.one(mech.HeavyDrawbar(150)), want: 337.5},
			{name: "160", got: m.one(mech.HeavyDrawbar(160)), want: 350},
		}
	}},
	{"c.b.basic", mech.FactBallMoment, exact, "1800 x 0.25/3.6; about the ball 1675 x 3.6 = 1800 x 3.35", func(m must) []value {
		b, err := mech.BallLoad(1800, 0.25, 3.6)
		m.ok(err)
		m.is("lifts", b.Lifts, false)
		return []value{
			{name: "B", got: b.Load, want: 125},
			{name: "share", got: 100 * b.Share, want: 6.9444, precision: 1e-4},
			{name: "axles", got: b.Axles, want: 1675},
		}
	}},
	{"c.b.items", mech.FactBallItems, 0.0001, "280 + 120 + 78 - 88 + 25 = 415 kg m by hand; 1496.25 x 4 = 1600 (4 - 0.259375)", func(m must) []value {
		b, err := mech.BallFromItems(4, 1200, 70, []mech.Item{
			{Name: "water", Mass: 80, Ahead: 1.5},
			{Name: "gas", Mass: 30, Ahead: 2.6},
			{Name: "rear rack", Mass: 40, Ahead: -2.2},
			{Name: "load", Mass: 250, Ahead: 0.1},
		})
		m.ok(err)
		return []value{
			{name: "moment", got: b.Moment, want: 415},
			{name: "W", got: b.Mass, want: 1600},
			{name: "B", got: b.Load, want: 103.75},
			{name: "x", got: b.Ahead, want: 0.259375, precision: 1e-9},
			{name: "axles", got: b.Axles, want: 1496.25},
		}
	}},
	{"c.b.negative", mech.FactBallMoment, exact, "750 x -0.08/2.5", func(m must) []value {
		b, err := mech.BallLoad(750, -0.08, 2.5)
		m.ok(err)
		m.is("lifts", b.Lifts, true)
		return []value{{name: "B", got: b.Load, want: -24}}
	}},
	{"c.axles", mech.FactVehicleAxles, 0.0001, "150 x 3.95/2.85 by hand", func(m must) []value {
		a, err := mech.FromBall(150, 2.85, 1.1)
		m.ok(err)
		return []value{
			{name: "rear", got: a.Rear, want: 207.8947},
			{name: "front", got: a.Front, want: -57.8947},
			{name: "sum", got: a.Rear + a.Front, want: 150, precision: 1e-9},
		}
	}},
	{"c.axles.fifth", mech.FactVehicleAxles, 0.0001, "1000 x 3.2/3.6 by hand", func(m must) []value {
		a, err := mech.FromBall(1000, 3.6, -0.4)
		m.ok(err)
		return []value{{name: "rear", got: a.Rear, want: 888.8889}, {name: "front", got: a.Front, want: 111.1111}}
	}},
	{"c.axles.payload", mech.FactPayload, exact, "75 + 240; 75 - 40", func(m must) []value {
		a, err := mech.FromPayload(3, []mech.Load{{Mass: 150, Behind: 1.5}, {Mass: 200, Behind: 3.6}})
		m.ok(err)
		return []value{{name: "rear", got: a.Rear, want: 315}, {name: "front", got: a.Front, want: 35}}
	}},
	{"c.wdh", mech.FactLevel, 0.0001, "two free bodies; front, rear and trailer add up to 150", func(m must) []value {
		l, err := mech.Level(150, 2.85, 1.1, 4.2, 120)
		m.ok(err)
		return []value{
			{name: "V", got: l.Vertical, want: 121.4286},
			{name: "front", got: l.Front, want: -4.7619},
			{name: "rear", got: l.Rear, want: 126.1905},
			{name: "trailer", got: l.Axles, want: 28.5714},
		}
	}},
	{"c.wdh.full", mech.FactRestore, 0.0001, "150 x 1.1 x 4.2/5.3; then V h = M and the front is back", func(m must) []value {
		moment := m.one(mech.RestoringMoment(150, 1.1, 4.2, 1))
		l, err := mech.Level(150, 2.85, 1.1, 4.2, moment)
		m.ok(err)
		return []value{
			{name: "M", got: moment, want: 130.7547},
			{name: "front", got: l.Front, want: 0, precision: 1e-9},
			{name: "rear", got: l.Rear, want: 118.8679},
			{name: "trailer", got: l.Axles, want: 31.1321},
		}
	}},
	{"c.wdh.half", mech.FactRestore, 0.0001, "the front loses 102.8571 without the bars, half of it with them", func(m must) []value {
		moment := m.one(mech.RestoringMoment(300, 1.2, 5.5, 0.5))
		l, err := mech.Level(300, 3.5, 1.2, 5.5, moment)
		m.ok(err)
		solo, err := mech.FromBall(300, 3.5, 1.2)
		m.ok(err)
		return []value{
			{name: "M", got: moment, want: 147.7612},
			{name: "front", got: l.Front, want: -51.4286},
			{name: "front without", got: solo.Front, want: -102.8571},
		}
	}},
	{"c.maxatm", mech.FactMaxTrailer, 0.0001, "each limit by hand", func(m must) []value {
		tyre := m.one(mech.TyreLoad(99))
		got, err := mech.LargestTrailer(mech.Figures{
			Share: 0.1, Vehicle: new(3000.0), Towbar: new(2500.0), Coupling: new(3500.0), BallLoad: new(250.0),
			VehicleTotal: new(3050.0), VehicleLaden: new(2750.0), AxleGroup: new(2600.0), Tyres: new(4 * tyre),
			Combination: new(5600.0), RearRated: new(1750.0), RearLaden: new(1450.0), Wheelbase: new(2.85), Overhang: new(1.1),
		})
		m.ok(err)
		m.is("weakest", strings.Join(got.Weakest, " "), "rear_axle")
		m.is("missing", strings.Join(got.Missing, " "), "ball chain front_axle")
		want := map[string]float64{
			"vehicle": 3000, "towbar": 2500, "coupling": 3500, "ball_load": 2500, "vehicle_total": 3000,
			"axle_group": 2888.8889, "tyres": 3444.4444, "combination": 2850, "rear_axle": 2164.557,
		}
		m.is("limits", len(got.Limits), len(want))
		vs := []value{{name: "answer", got: got.Kg, want: 2164.557}}
		for _, l := range got.Limits {
			vs = append(vs, value{name: l.Name, got: l.Kg, want: want[l.Name]})
		}
		return vs
	}},
	{"c.gcm", mech.FactCoupled, exact, "2600 + 180; 2600 + 2100, not 4880", func(m must) []value {
		c, err := mech.Coupling(2600, 180, 2100)
		m.ok(err)
		return []value{{name: "vehicle", got: c.Vehicle, want: 2780}, {name: "combination", got: c.Combination, want: 4700}}
	}},
	{"c.tyre", mech.FactTyreCapacity, exact, "2 x 710", func(m must) []value {
		return []value{{name: "axle", got: m.one(mech.AxleTyres(2, 96, 0)), want: 1420}}
	}},
	{"c.tyre.dual", mech.FactTyreCapacity, exact, "4 x 1060", func(m must) []value {
		return []value{{name: "axle", got: m.one(mech.AxleTyres(4, 112, 110)), want: 4240}}
	}},
	{"c.tyre.p", mech.FactPMetric, 0.01, "690/1.1; the rule from memory", func(m must) []value {
		return []value{{name: "load", got: m.one(mech.PMetric(m.one(mech.TyreLoad(95)))), want: 627.27}}
	}},
	{"c.tyre.spot", mech.FactLoadIndex, exact, "table, at its ends and where misprints circulate", func(m must) []value {
		var vs []value
		for index, kg := range map[int]float64{50: 190, 62: 265, 75: 387, 103: 875, 105: 925, 113: 1150, 118: 1320, 126: 1700, 133: 2060, 141: 2575, 145: 2900, 150: 3350} {
			vs = append(vs, value{name: fmt.Sprint(index), got: m.one(mech.TyreLoad(index)), want: kg})
		}
		return vs
	}},
	{"c.j684.hitch", mech.FactHitchTest, exact, "0.47 x 3500 + 480 and so on by hand", func(m must) []value {
		h, err := mech.HitchTestFor(3500)
		m.ok(err)
		return []value{
			{name: "F1", got: float64(h.First), want: 2125},
			{name: "F2", got: float64(h.Second), want: 2335},
			{name: "Fv", got: float64(h.Vertical), want: 525},
			{name: "Ft", got: float64(h.Transverse), want: 1200},
		}
	}},
	{"c.shackle", mech.FactShackle, exact, "by hand", func(m must) []value {
		var vs []value
		for _, row := range [][4]float64{{500, 1600, 3000, 2400}, {750, 2500, 4500, 3750}, {1000, 3500, 6000, 5250}} {
			c, err := mech.CheckShackle(row[0], row[1])
			m.ok(err)
			m.is("ok", c.OK, true)
			vs = append(vs, value{name: "breaking", got: c.Breaking, want: row[2]}, value{name: "need", got: c.Need, want: row[3]})
		}
		return vs
	}},
	{"c.chain.bf", mech.FactChainGrades, 0.0001, "by hand; the standard prints 2.0 t", func(m must) []value {
		c, err := mech.ChainBreaking(8, m.one(mech.ChainStress("T")))
		m.ok(err)
		return []value{{name: "breaking", got: c.Breaking, want: 80.4248}, {name: "working", got: c.Working / 1000, want: 2.0503}}
	}},
	{"c.chain.g4", mech.FactChainGrades, 0.0001, "by hand; the standard prints 62.8 kN", func(m must) []value {
		c, err := mech.ChainBreaking(10, m.one(mech.ChainStress("4")))
		m.ok(err)
		row, ok := mech.Grade4(10)
		m.is("row", ok, true)
		return []value{{name: "breaking", got: c.Breaking, want: 62.8319}, {name: "printed", got: row.Breaking, want: 62.8}}
	}},
	{"c.unbraked", mech.FactUnbraked, exact, "7 x 1500/2100; 600 x 5", func(m must) []value {
		u, err := mech.Unbraked(7, 1500, 600)
		m.ok(err)
		return []value{
			{name: "a", got: u.Deceleration, want: 5},
			{name: "share", got: u.Share, want: 0.714286, precision: 1e-6},
			{name: "thrust", got: u.Thrust, want: 3000},
		}
	}},
	{"c.z.comb", mech.FactRate, exact, "(1365 + 750)/3600; times 9.81", func(m must) []value {
		z := m.one(mech.CombinedRate(0.65, 2100, 0.5, 1500))
		return []value{{name: "z", got: z, want: 0.5875}, {name: "a", got: z * mech.G, want: 5.763375}}
	}},
	{"c.r13h", mech.FactR13HUnbraked, 0.0001, "by hand; the rule from memory", func(m must) []value {
		d, ok, err := mech.UnbrakedR13H(6.43, 1600, 500)
		m.ok(err)
		m.is("passes", ok, false)
		return []value{{name: "d", got: d, want: 4.899}}
	}},
	{"c.overrun", mech.FactOverrunBalance, exact, "1500 x 5 = 7500; 0.45 x 9.81 x 1500; limit 0.10 x 9.81 x 1500", func(m must) []value {
		o, err := mech.OverrunBalance(1500, 5, 0.45)
		m.ok(err)
		limit := m.one(mech.OverrunLimit(1500, false))
		m.is("within", o.Thrust <= limit, true)
		return []value{
			{name: "brakes", got: o.Brakes, want: 6621.75},
			{name: "thrust", got: o.Thrust, want: 878.25},
			{name: "limit", got: limit, want: 1471.5},
		}
	}},
	{"c.stop.100", mech.FactStopping, 0.0001, "by hand", func(m must) []value {
		s, err := mech.Stopping(100, 1, 6.5)
		m.ok(err)
		return []value{
			{name: "reaction", got: s.Reaction, want: 27.7778},
			{name: "braking", got: s.Braking, want: 59.3542},
			{name: "total", got: s.Total, want: 87.132},
		}
	}},
	{"c.stop.uk70", mech.FactTypicalStop, 0.0001, "70 + 245 = 315 ft x 0.3048", func(m must) []value {
		s, err := mech.TypicalStop(70 * 1.609344)
		m.ok(err)
		return []value{
			{name: "thinking", got: s.Reaction / 0.3048, want: 70},
			{name: "braking", got: s.Braking / 0.3048, want: 245},
			{name: "total", got: s.Total, want: 96.012},
			{name: "printed", got: float64(mech.PrintedStops()[70]), want: 96},
		}
	}},
	{"c.mfdd", mech.FactMFDD, 0.0001, "6300/933.12", func(m must) []value {
		return []value{{name: "d", got: m.one(mech.MFDD(100, 26, 62)), want: 6.7515}}
	}},
	{"c.rule70", mech.FactR13HStop, exact, "10 + 60; the rule from memory", func(m must) []value {
		return []value{{name: "s", got: m.one(mech.R13HStop(100)), want: 70}}
	}},
	{"c.zr", mech.FactTrailerRate, 0.0001, "0.14 x 3000/1400 + 0.01; the form from memory", func(m must) []value {
		return []value{{name: "z", got: m.one(mech.TrailerRate(0.15, 1600, 1400)), want: 0.31}}
	}},
	{"c.grade18", mech.FactGrade, 0.01, "by hand", func(m must) []value {
		s, err := mech.Grade(1500, 18)
		m.ok(err)
		return []value{{name: "F", got: s.Force, want: 2606.81}, {name: "share", got: s.Share, want: 0.177153, precision: 1e-6}}
	}},
	{"c.grade16", mech.FactGrade, 0.01, "by hand", func(m must) []value {
		s, err := mech.Grade(2000, 16)
		m.ok(err)
		return []value{{name: "F", got: s.Force, want: 3099.77}}
	}},
	{"c.belgium", mech.FactBelgianBall, exact, "min(13, 50) <= 75 < 150", func(m must) []value {
		b, err := mech.BallInBelgium(1300, 1500, 75)
		m.ok(err)
		m.is("ok", b.OK, true)
		return []value{{name: "lower", got: b.Lower, want: 13}, {name: "upper", got: b.Upper, want: 150}}
	}},
	{"c.centre10", mech.FactCentreAxleBall, exact, "by hand", func(m must) []value {
		return []value{
			{name: "3500", got: m.one(mech.CentreAxleBall(3500)), want: 350},
			{name: "12000", got: m.one(mech.CentreAxleBall(12000)), want: 1000},
		}
	}},
	{"c.chain10", mech.FactAS4177, exact, "bounds of the reprint, up to and including", func(m must) []value {
		for atm, mark := range map[float64]string{1000: "4177-10", 1001: "4177-16", 1600: "4177-16", 1601: "4177-25", 2500: "4177-25", 2501: "4177-35", 3500: "4177-35"} {
			c, err := mech.SafetyChainFor(atm)
			m.ok(err)
			m.is(fmt.Sprint(atm), c.Mark, mark)
		}
		return nil
	}},

	// Figures that the notes of the facts print beside them.
	{"n.dc.18_12", mech.FactDc, 0.1, "printed 70.6 kN", func(m must) []value {
		return []value{{name: "Dc", got: m.one(mech.Dc(18000, 12000)), want: 70.6}}
	}},
	{"n.d.18_18", mech.FactD, 0.1, "printed 88.3 kN", func(m must) []value {
		return []value{
			{name: "D", got: m.one(mech.D(18000, 18000)), want: 88.3},
			{name: "peak of 36 t", got: m.one(mech.PeakD(36000)), want: 88.3},
		}
	}},
	{"n.semi.26_34", mech.FactSemiD, 0.1, "printed 123.9 kN", func(m must) []value {
		return []value{{name: "D", got: m.one(mech.SemiD(26000, 34000, 18000)), want: 123.9}}
	}},
	{"n.v.air", mech.FactV, 0.1, "printed 42.6 kN", func(m must) []value {
		v, err := mech.V(12000, 7.3, 5.2, true)
		m.ok(err)
		return []value{{name: "V", got: v.KN, want: 42.6}}
	}},
	{"n.grade", mech.FactGrade, 0.0001, "sines printed for 18, 16 and 12 percent", func(m must) []value {
		var vs []value
		for percent, sine := range map[float64]float64{18: 0.1772, 16: 0.1580, 12: 0.1191} {
			s, err := mech.Grade(1000, percent)
			m.ok(err)
			vs = append(vs, value{name: fmt.Sprint(percent), got: s.Share, want: sine}, value{name: "tangent", got: s.Grip, want: percent / 100, precision: 1e-12})
		}
		return vs
	}},
	{"n.highway", mech.FactTypicalStop, exact, "implied 0.6818 s to react and 6.557 m/s2", func(m must) []value {
		typical, err := mech.TypicalStop(96.56064)
		m.ok(err)
		s, err := mech.Stopping(96.56064, 0.6818, 6.557)
		m.ok(err)
		return []value{
			{name: "reaction", got: s.Reaction, want: typical.Reaction, precision: 0.01},
			{name: "braking", got: s.Braking, want: typical.Braking, precision: 0.01},
		}
	}},
	{"n.grade8", mech.FactChainGrades, 0.01, "raw limits noted in t: 8 mm 2.05, 10 mm 3.20, 13 mm 5.41, 16 mm 8.20", func(m must) []value {
		var vs []value
		for d, t := range map[float64]float64{8: 2.05, 10: 3.20, 13: 5.41, 16: 8.20} {
			c, err := mech.ChainBreaking(d, 800)
			m.ok(err)
			vs = append(vs, value{name: fmt.Sprint(d), got: c.Working / 1000, want: t})
		}
		return vs
	}},
}

// must fails a check whose function returns an error.
type must struct{ t *testing.T }

func (m must) one(v float64, err error) float64 {
	m.t.Helper()
	m.ok(err)
	return v
}

func (m must) ok(err error) {
	m.t.Helper()
	if err != nil {
		m.t.Fatal(err)
	}
}

func (m must) is(name string, got, want any) {
	m.t.Helper()
	if got != want {
		m.t.Errorf("%s = %v, want %v", name, got, want)
	}
}

func TestChecks(t *testing.T) {
	for _, c := range checks {
		t.Run(c.id, func(t *testing.T) {
			src, ok := c.fact.Source()
			if !ok {
				t.Fatalf("%s has no source", c.fact)
			}
			for _, v := range c.run(must{t}) {
				// The last digit of an expected figure is rounded.
				allowed := 0.5*c.precision + 1e-9
				switch {
				case v.precision != 0:
					allowed = 0.5*v.precision + 1e-12
				case c.precision == exact:
					allowed = 1e-12 * math.Abs(v.want)
				}
				if !(math.Abs(v.got-v.want) <= allowed) {
					t.Errorf("%s = %.10g, want %.10g within %g (%s; %s, %s)", v.name, v.got, v.want, allowed, c.obtained, src.Title, src.How)
				}
			}
		})
	}
}

// bad returns the argument a *Bad names.
func bad(t interface{ Fatalf(string, ...any) }, err error) string {
	var b *mech.Bad
	if !errors.As(err, &b) {
		t.Fatalf("error is %v, want a *mech.Bad", err)
	}
	return b.Arg
}
