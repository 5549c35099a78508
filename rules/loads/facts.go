package loads

import (
	"strconv"

	"drawgear/rules/mech"
	"drawgear/rules/quantity"
	"drawgear/rules/rig"
)

// Facts of the rig that are read here.
var (
	useSpeed = rig.Must("use.speed")

	vehicleCategory   = rig.Must("vehicle.category")
	vehicleKerb       = rig.Must("vehicle.kerb")
	vehicleRatedTotal = rig.Must("vehicle.rated.total")
	vehicleRatedBoth  = rig.Must("vehicle.rated.combination")
	vehicleRatedAxles = rig.Must("vehicle.rated.axles")
	vehicleFrontLeast = rig.Must("vehicle.rated.front_minimum")
	vehicleLaden      = rig.Must("vehicle.laden.total")
	vehicleLadenAxles = rig.Must("vehicle.laden.axles")
	vehicleMakerRates = rig.Must("vehicle.towing.maker_rating")
	vehicleBraked     = rig.Must("vehicle.towing.braked")
	vehicleUnbraked   = rig.Must("vehicle.towing.unbraked")
	vehicleBall       = rig.Must("vehicle.towing.ball")
	vehicleWheelbase  = rig.Must("vehicle.wheelbase")
	vehicleOverhang   = rig.Must("vehicle.ball_overhang")
	vehicleRearAir    = rig.Must("vehicle.rear_air_suspension")

	trailerLayout     = rig.Must("trailer.layout")
	trailerHitch      = rig.Must("trailer.hitch")
	trailerAxleCount  = rig.Must("trailer.axle_count")
	trailerBallToAxle = rig.Must("trailer.ball_to_axle")
	trailerLoadLength = rig.Must("trailer.load_length")
	trailerEqualised  = rig.Must("trailer.axles_equalised")
	trailerRestored   = rig.Must("trailer.front_restored")
	trailerRatedTotal = rig.Must("trailer.rated.total")
	trailerRatedAxles = rig.Must("trailer.rated.axles")
	trailerRatedBall  = rig.Must("trailer.rated.ball")
	trailerTareBall   = rig.Must("trailer.tare_ball")
	trailerTare       = rig.Must("trailer.tare")
	trailerTotal      = rig.Must("trailer.laden.total")
	trailerAxles      = rig.Must("trailer.laden.axles")
	trailerBall       = rig.Must("trailer.laden.ball")
	trailerBrakeKind  = rig.Must("trailer.brakes.kind")
	trailerBraked     = rig.Must("trailer.brakes.braked_axles")

	evidenceRate = rig.Must("evidence.deceleration")
)

func pointer(id rig.ID) string { return rig.ByID(id).Pointer }

// fact is a fact of the rig as an amount.
func fact(r *rig.Rig, id rig.ID) amount {
	path := rig.ByID(id).Path
	q, ok := r.Quantity(id)
	if !ok {
		return unknown("", pointer(id)).as(path)
	}
	return ofQuantity(q, r.Inputs(id)...).as(path)
}

// masses are the entries of a list of masses.
func masses(r *rig.Rig, id rig.ID) []amount {
	var out []amount
	for i, q := range r.Masses(id) {
		at := strconv.Itoa(i)
		out = append(out, ofQuantity(q, rig.Input{Pointer: pointer(id) + "/" + at, Value: q.Text()}).as(rig.ByID(id).Path+"["+at+"]"))
	}
	return out
}

func word(r *rig.Rig, id rig.ID) string { return r.Get(id).Word }

// partAmount is a rating of a part; the first of its fields that is given.
func partAmount(r *rig.Rig, i int, fields ...string) amount {
	var missing []string
	for _, f := range fields {
		q := partField(r.Parts[i], f)
		at := "/parts/" + strconv.Itoa(i) + "/" + f
		if !q.IsZero() {
			return ofQuantity(q, rig.Input{Pointer: at, Value: q.Text()}).as(f)
		}
		missing = append(missing, at)
	}
	return unknown("", missing...).as(fields[0])
}

func partField(p rig.Part, field string) quantity.Quantity {
	switch field {
	case "rated_mass":
		return p.RatedMass
	case "breaking_mass":
		return p.BreakingMass
	case "breaking_force":
		return p.BreakingForce
	case "rated_ball":
		return p.RatedBall
	case "d_value":
		return p.DValue
	case "dc_value":
		return p.DcValue
	case "v_value":
		return p.VValue
	case "working_load":
		return p.WorkingLoad
	case "least_mass":
		return p.LeastMass
	case "size":
		return p.Size
	}
	panic("loads: no part field " + field)
}

// plates is the source of the plainest comparisons: a load against the plate
// made for it.
var plates = Source{
	Fact: "mech.ratings.chain", Title: "Common practice, no published source: each plate limits the load that it names",
	Verification: "memory", Confidence: "high",
}

// from is the source of a fact of package mech.
func from(f mech.Fact) Source {
	s, ok := f.Source()
	if !ok {
		panic("loads: no source for " + string(f))
	}
	return sourceOf(f, s)
}

func sourceOf(f mech.Fact, s mech.Source) Source {
	return Source{Fact: string(f), Title: s.Title, Clause: s.Clause, Verification: s.How, Confidence: s.Confidence, Note: s.Caution}
}
