// Package rig holds the rig document: a towing vehicle, a trailer and the parts
// between them, with every field optional, and the figures derived from it.
//
// One table, fields, names every fact a rule of law may read. The decoder, the
// expression checker, the derived figures and the published contract all follow
// that table, so a fact is added in one place.
package rig

import (
	"sort"

	"drawgear/rules/quantity"
)

// Kind is the form a fact takes in the rig document.
type Kind uint8

// The kinds of fact.
const (
	KindQuantity Kind = iota + 1 // text with unit, of the field's dimension
	KindBool                     // true or false
	KindCount                    // whole number, 0 to 100
	KindWord                     // one word of the field's closed list
	KindText                     // free text of at most 64 characters
	KindDate                     // calendar day, 2006-01-02
	KindWords                    // list of words of the field's closed list
	KindCounts                   // list of whole numbers
	KindMasses                   // list of quantities of the field's dimension
)

// ID is the place of a field in the table.
type ID int16

// Field describes one fact.
type Field struct {
	ID      ID
	Path    string // dotted, as rules write it: trailer.rated.axles
	Pointer string // JSON Pointer in the rig document; empty for derived facts
	Kind    Kind
	Dim     quantity.Dimension // for KindQuantity and KindMasses
	Words   []string           // closed list for KindWord and KindWords
	NotZero bool               // zero is no amount of it
	Doc     string             // meaning, with the regional names
	Sources []string           // for derived facts: pointers of the inputs
	Also    []string           // for entered facts: pointers of others from which it follows
}

// Derived reports whether the fact is only ever worked out, never entered.
func (f Field) Derived() bool { return f.Pointer == "" }

// Words that several fields or the obligations share.
var (
	// BrakeKinds are the service-brake kinds of a trailer. "overrun" works by a
	// mechanical inertia linkage, "surge" is its hydraulic form.
	BrakeKinds = []string{"none", "overrun", "surge", "electric", "electric_hydraulic", "hydraulic", "air", "vacuum"}
	// BreakawayKinds are the means that act when the trailer parts from the vehicle.
	BreakawayKinds = []string{"none", "automatic", "secondary_coupling"}
	// Connectors are trailer plug and socket arrangements by open standard.
	Connectors = []string{
		"none", "as2513-round7", "as4177.5-flat7", "as4177.5-flat12", "as4735-heavy7", "iso1724-12n", "iso3732-12s",
		"iso11446-13", "iso1185-24n", "iso3731-24s", "iso7638-1", "iso7638-2", "sae-j2863-7", "sae-j560-7", "sae-j1239-4", "other",
	}
	// PartRoles are the places a rated part can take in the load path.
	PartRoles = []string{
		"towbar", "ball", "coupling", "drawbar", "chain", "cable", "shackle", "secondary_coupling",
		"load_levelling", "sway_device", "tyre", "axle", "receiver", "ball_mount", "overrun_device", "brake", "wheel", "other",
	}
)

const (
	mass   = quantity.Mass
	length = quantity.Length
)

func q(path string, d quantity.Dimension, doc string) Field {
	return Field{Path: path, Kind: KindQuantity, Dim: d, Doc: doc}
}

func notZero(f Field) Field {
	f.NotZero = true
	return f
}
func b(path, doc string) Field      { return Field{Path: path, Kind: KindBool, Doc: doc} }
func count(path, doc string) Field  { return Field{Path: path, Kind: KindCount, Doc: doc} }
func date(path, doc string) Field   { return Field{Path: path, Kind: KindDate, Doc: doc} }
func text(path, doc string) Field   { return Field{Path: path, Kind: KindText, Doc: doc} }
func masses(path, doc string) Field { return Field{Path: path, Kind: KindMasses, Dim: mass, Doc: doc} }

func word(path string, words []string, doc string) Field {
	return Field{Path: path, Kind: KindWord, Words: words, Doc: doc}
}

func derived(f Field, sources ...string) Field {
	f.Sources = sources
	return f
}

// fields is the table. Order here is the order of the contract and of lists.
var fields = index([]Field{
	date("as_of", "Day whose law is asked for; today if left out."),

	b("use.commercial", "Towed in the course of trade."),
	b("use.interstate", "Moves between states (United States: interstate commerce)."),
	b("use.abroad", "Taken outside the country of registration."),
	q("use.speed", quantity.Speed, "Highest speed at which the rig is to be driven."),

	word("vehicle.category", []string{"car", "light_truck", "truck", "bus", "motorcycle", "tractor", "other"}, "Kind of towing vehicle; light_truck is a ute, pickup or van."),
	b("vehicle.off_road", "Approved as an off-road vehicle (UN category G)."),
	q("vehicle.kerb", mass, "Kerb mass: empty, fuelled, with the driver only where the law of the place counts one."),
	q("vehicle.unladen", mass, "Unladen (tare) mass, empty and without driver."),
	q("vehicle.rated.total", mass, "Plated maximum mass of the vehicle alone: GVM, MAM, GVWR."),
	q("vehicle.rated.combination", mass, "Plated maximum mass of vehicle and trailer together: GCM, gross train weight, GCWR."),
	masses("vehicle.rated.axles", "Plated maximum of each axle, front first."),
	q("vehicle.rated.front_minimum", mass, "Least load that the maker wants on the front axle."),
	q("vehicle.laden.total", mass, "What the vehicle weighs now, uncoupled."),
	masses("vehicle.laden.axles", "What each axle carries now, uncoupled, front first."),
	{
		Path: "vehicle.towing.maker_rating", Kind: KindBool, Doc: "Whether the maker of the vehicle states a towing limit; false means that none was ever given.",
		Also: []string{"/vehicle/towing/braked", "/vehicle/towing/unbraked"},
	},
	q("vehicle.towing.braked", mass, "Maker's limit for a trailer with brakes."),
	q("vehicle.towing.unbraked", mass, "Maker's limit for a trailer without brakes."),
	q("vehicle.towing.ball", mass, "Maker's limit for the static load on the coupling."),
	q("vehicle.towing.combination_speed", quantity.Speed, "Maker's top speed when towing."),
	b("vehicle.modified", "Modified so that the maker's towing limit no longer fits."),
	notZero(q("vehicle.wheelbase", length, "Distance between front axle and rear axle (or the middle of the rear group).")),
	q("vehicle.ball_overhang", length, "Distance from rear axle back to the coupling point."),
	b("vehicle.rear_air_suspension", "The rear axle has air suspension, or one that is held equivalent."),
	date("vehicle.built", "Day of manufacture."),
	date("vehicle.first_registered", "Day of first registration or first use."),
	text("vehicle.registered_in", "Jurisdiction of registration (ISO 3166)."),
	b("vehicle.type_approved", "Holds a certificate of conformity (EU or GB whole-vehicle approval)."),
	b("vehicle.abs", "Has an anti-lock braking system."),
	b("vehicle.all_wheels_braked", "Its service brake acts on all wheels."),
	q("vehicle.electrical.voltage", quantity.Voltage, "Nominal supply voltage."),
	word("vehicle.electrical.stop_signal", []string{"switched", "body_computer"}, "How the stop lamps are fed: by a switch in their circuit, or by a body computer."),
	b("vehicle.electrical.assisted_stability", "Has an assisted-stability system that can apply brakes or stop lamps by itself."),
	word("vehicle.connector", Connectors, "Trailer socket on the vehicle."),

	word("trailer.layout", []string{"centre_axle", "rigid_drawbar", "full", "semi", "pole", "dolly"}, "centre_axle: one axle or close group near the middle behind a rigid drawbar (pig trailer); full: steered front axle (dog trailer); semi: part of its weight rests on a turntable; dolly: converter dolly."),
	word("trailer.hitch", []string{"ball", "pin", "ring", "fifth_wheel", "gooseneck", "a_frame"}, "What joins trailer and vehicle."),
	word("trailer.purpose", []string{"utility", "camping", "livestock", "boat", "agricultural", "special", "other"}, "What the trailer is made for; camping covers caravans and camp trailers, special is a machine on wheels."),
	b("trailer.carries_load", "Made to carry a load (false for a machine on wheels such as a mower or baler)."),
	count("trailer.axle_count", "Number of axles."),
	q("trailer.axle_spread", length, "Distance between the first and last axle centres; 0 for one axle."),
	date("trailer.built", "Day of manufacture."),
	date("trailer.first_registered", "Day of first registration."),
	text("trailer.registered_in", "Jurisdiction of registration (ISO 3166)."),
	q("trailer.registered_total", mass, "Gross mass for which the trailer is registered, where that is a figure of its own."),
	{Path: "trailer.approvals", Kind: KindWords, Words: []string{"un-r13", "un-r55", "adr-38", "adr-62", "eu-type-approval", "speed-100", "exemption"}, Doc: "Approvals that the trailer holds."},
	q("trailer.length", length, "Overall length."),
	q("trailer.width", length, "Overall width."),
	notZero(q("trailer.ball_to_axle", length, "Distance from the coupling centre back to the axle, or to the middle of the axle group.")),
	notZero(q("trailer.load_length", length, "Length of the loading area.")),
	q("trailer.body.starts", length, "Distance from the coupling centre back to the front end of the body or load bed."),
	notZero(q("trailer.body.ends", length, "Distance from the coupling centre back to the rear end of the body or load bed.")),
	b("trailer.axles_equalised", "The suspension shares the load equally between the axles."),
	q("trailer.front_restored", quantity.Percentage, "Share of the lost front axle load that the load-levelling hitch is set to restore."),
	q("trailer.rated.total", mass, "Plated maximum mass of the whole trailer: ATM, MAM, GVWR."),
	q("trailer.rated.axles", mass, "Plated maximum carried by the trailer's own axles: GTM; the sum of axle masses in the UN categories."),
	q("trailer.rated.ball", mass, "Plated static load on the coupling that goes with the plated total."),
	q("trailer.tare_ball", mass, "Static load on the coupling when the trailer is empty."),
	q("trailer.tare", mass, "Empty mass of the trailer: tare, unladen weight."),
	q("trailer.laden.total", mass, "What the whole trailer weighs now, uncoupled, ball load included: gross weight."),
	q("trailer.laden.axles", mass, "What the trailer's own axles carry now, coupled."),
	q("trailer.laden.ball", mass, "Static load on the coupling now."),
	word("trailer.brakes.kind", BrakeKinds, "Kind of service brake; none if the trailer has none."),
	b("trailer.brakes.working", "The service brake works."),
	count("trailer.brakes.braked_axles", "Number of axles with brakes on every wheel."),
	{Path: "trailer.brakes.axle_positions", Kind: KindCounts, Doc: "Which axles are braked, counted from the front, 1 first."},
	count("trailer.brakes.magnets", "Number of brake magnets."),
	b("trailer.brakes.operable_from_cab", "The driver can work the trailer brakes from the driving seat."),
	b("trailer.brakes.auto_reverse", "The overrun device lets the trailer be reversed without a lasting brake force."),
	b("trailer.brakes.damped", "The overrun device is hydraulically damped."),
	word("trailer.breakaway.kind", BreakawayKinds, "automatic: the brakes come on by themselves when the trailer parts; secondary_coupling: a chain or cable keeps the drawbar up and gives some steering."),
	q("trailer.breakaway.hold", quantity.Duration, "How long the brakes stay on after the trailer parts."),
	q("trailer.breakaway.holds_grade", quantity.Grade, "Grade on which the breakaway brake has been shown to hold the trailer."),
	b("trailer.breakaway.battery_indicator", "A warning or display at the driver's seat shows the state of the breakaway battery."),
	b("trailer.breakaway.charged_from_vehicle", "The breakaway battery is kept charged by the towing vehicle."),
	q("trailer.breakaway.battery", quantity.Charge, "Capacity of the breakaway battery."),
	b("trailer.parking_brake", "Has a parking brake."),
	q("trailer.parking_brake_grade", quantity.Grade, "Grade on which the parking brake has been shown to hold the laden trailer."),
	b("trailer.coupling.quick_release", "The coupling is worked by hand without tools."),
	b("trailer.coupling.positive_lock", "The coupling has a positive lock."),
	b("trailer.coupling.secondary_lock", "A second, independent means keeps the lock engaged."),
	b("trailer.coupling.marked", "The coupling carries its maker's mark and rating."),
	q("trailer.coupling.height", length, "Height of the coupling centre above ground, laden and level."),
	b("trailer.chains_crossed", "The safety chains cross under the coupling."),
	word("trailer.connector", Connectors, "Trailer plug."),

	text("driver.licence", "Licence class or code held."),
	date("driver.licence_from", "Day on which that class was obtained."),

	q("evidence.stopping.from", quantity.Speed, "Speed from which a measured stop began."),
	q("evidence.stopping.within", length, "Distance in which the laden rig then stopped."),
	q("evidence.deceleration", quantity.Acceleration, "Mean fully developed deceleration measured on the laden rig."),
	q("evidence.trailer_deceleration", quantity.Acceleration, "Deceleration that the trailer's own brakes give the laden trailer."),
	q("evidence.efficiency", quantity.Percentage, "Measured brake efficiency of the laden rig."),

	derived(b("trailer.brakes.fitted", "The trailer has a service brake: its kind is not none."), "/trailer/brakes/kind"),
	derived(b("trailer.brakes.all_wheels", "Every axle is braked."), "/trailer/brakes/braked_axles", "/trailer/axle_count"),
	derived(b("trailer.brakes.rear_axle", "The rearmost axle is braked."), "/trailer/brakes/axle_positions", "/trailer/axle_count"),
	derived(q("trailer.laden.load", mass, "Load on the trailer: laden total less tare."), "/trailer/laden/total", "/trailer/tare"),
	derived(q("vehicle.rated.axle_sum", mass, "Sum of the plated axle maxima."), "/vehicle/rated/axles"),
	derived(q("vehicle.laden.axle_sum", mass, "Sum of the axle loads now."), "/vehicle/laden/axles"),
	derived(q("vehicle.towing.limit", mass, "The maker's limit that applies: braked if the trailer has a service brake, unbraked if not."), "/trailer/brakes/kind", "/vehicle/towing/braked", "/vehicle/towing/unbraked"),
	derived(q("combination.rated.total", mass, "Plated vehicle total plus plated trailer total."), "/vehicle/rated/total", "/trailer/rated/total"),
	derived(q("combination.laden.total", mass, "Laden vehicle plus laden trailer, each uncoupled, so that the ball load counts once."), "/vehicle/laden/total", "/trailer/laden/total"),
})

var byPath = func() map[string]ID {
	m := make(map[string]ID, len(fields))
	for _, f := range fields {
		m[f.Path] = f.ID
	}
	return m
}()

func index(fs []Field) []Field {
	for i := range fs {
		fs[i].ID = ID(i)
		if len(fs[i].Sources) == 0 {
			fs[i].Pointer = pointer(fs[i].Path)
		}
	}
	return fs
}

func pointer(path string) string {
	out := make([]byte, 0, len(path)+1)
	out = append(out, '/')
	for i := range len(path) {
		if path[i] == '.' {
			out = append(out, '/')
			continue
		}
		out = append(out, path[i])
	}
	return string(out)
}

// Fields lists every fact in table order. The result must not be changed.
func Fields() []Field { return fields }

// FieldCount is the number of facts; IDs run from 0 to FieldCount-1.
func FieldCount() int { return len(fields) }

// Lookup finds a fact by its dotted path.
func Lookup(path string) (Field, bool) {
	id, ok := byPath[path]
	if !ok {
		return Field{}, false
	}
	return fields[id], true
}

// ByID returns the field with that ID.
func ByID(id ID) Field { return fields[id] }

// must is Lookup for paths written in this program.
func must(path string) ID {
	id, ok := byPath[path]
	if !ok {
		panic("rig: no field " + path)
	}
	return id
}

// Must returns the ID of a path known when the program is written; it panics
// on any other, which package initialisation turns into a failed test.
func Must(path string) ID { return must(path) }

// Pointers returns the JSON Pointers through which the fact can be supplied.
func (f Field) Pointers() []string {
	if f.Derived() {
		return f.Sources
	}
	return append([]string{f.Pointer}, f.Also...)
}

// Closest suggests the known names nearest to a mistyped one, best first.
func closest(name string, known []string) string {
	best, bestD := "", 3
	sort.Strings(known)
	for _, k := range known {
		if d := distance(name, k); d < bestD {
			best, bestD = k, d
		}
	}
	return best
}

// distance is the Levenshtein distance, cut off at 3.
func distance(a, b string) int {
	if len(a) > 64 || len(b) > 64 || len(a)-len(b) > 2 || len(b)-len(a) > 2 {
		return 3
	}
	prev := make([]int, len(b)+1)
	for j := range prev {
		prev[j] = j
	}
	for i := range len(a) {
		cur := make([]int, len(b)+1)
		cur[0] = i + 1
		for j := range len(b) {
			c := 1
			if a[i] == b[j] {
				c = 0
			}
			cur[j+1] = min(prev[j]+c, prev[j+1]+1, cur[j]+1)
		}
		prev = cur
	}
	return min(prev[len(b)], 3)
}
