package fleet

import (
	"slices"
	"strings"
)

// alias is a term of the trade for a fact.
type alias struct {
	term  string
	path  string
	place string // ISO 3166 country in whose law the term stands; empty for words that name vehicle or trailer themselves
	how   string // library: the rulesets of the place call the fact so; practice: common practice, no published source
}

// aliases are terms that people who keep a fleet's register write. A term
// stands once for each thing that it can mean: one that means two things is
// refused until the file's place, or the writer, says which, for a rating read
// as another's can pass a rig that is too heavy. The terms marked library are
// those of the rulesets of that place, with their sources there; a test holds
// them to it.
var aliases = []alias{
	{"GTM", "trailer.rated.axles", "AU", "library"},
	{"ATM", "trailer.rated.total", "AU", "library"},
	{"GVM", "vehicle.rated.total", "AU", "library"},
	{"GVM", "vehicle.rated.total", "ZA", "library"},
	{"GVM", "trailer.rated.total", "ZA", "library"},
	{"gross vehicle mass", "vehicle.rated.total", "AU", "practice"},
	{"gross vehicle mass", "vehicle.rated.total", "NZ", "library"},
	{"gross vehicle mass", "trailer.rated.total", "NZ", "library"},
	{"GCM", "vehicle.rated.combination", "AU", "library"},
	{"GCM", "vehicle.rated.combination", "ZA", "library"},
	{"tare", "trailer.tare", "AU", "library"},
	{"tare", "vehicle.unladen", "AU", "library"},
	{"tare", "trailer.tare", "ZA", "library"},
	{"tare", "vehicle.unladen", "ZA", "library"},
	{"tow-ball load", "trailer.laden.ball", "AU", "library"},
	{"rated tow-ball load", "trailer.rated.ball", "AU", "library"},
	{"tow ball mass", "trailer.laden.ball", "AU", "practice"},

	{"MAM", "trailer.rated.total", "GB", "library"},
	{"MAM", "vehicle.rated.total", "GB", "library"},
	{"train weight", "vehicle.rated.combination", "GB", "library"},
	{"gross train weight", "vehicle.rated.combination", "GB", "practice"},
	{"kerbside weight", "vehicle.kerb", "GB", "library"},
	{"noseweight", "trailer.laden.ball", "GB", "library"},
	{"rated noseweight", "trailer.rated.ball", "GB", "library"},
	{"noseweight limit", "vehicle.towing.ball", "GB", "library"},
	{"unladen weight", "trailer.tare", "GB", "library"},
	{"unladen weight", "vehicle.unladen", "GB", "practice"},
	{"unladen weight", "trailer.tare", "NZ", "library"},
	{"unladen weight", "vehicle.unladen", "NZ", "library"},
	{"unladen weight", "trailer.tare", "US", "library"},
	{"unladen weight", "vehicle.unladen", "US", "practice"},

	{"GVWR", "trailer.rated.total", "US", "library"},
	{"GVWR", "vehicle.rated.total", "US", "library"},
	{"GVWR", "trailer.rated.total", "CA", "library"},
	{"GVWR", "vehicle.rated.total", "CA", "library"},
	{"GCWR", "vehicle.rated.combination", "US", "library"},
	{"GCWR", "vehicle.rated.combination", "CA", "library"},
	{"curb weight", "vehicle.kerb", "US", "library"},
	{"tongue weight", "trailer.laden.ball", "US", "library"},
	{"rated tongue weight", "trailer.rated.ball", "US", "library"},

	{"PTAC", "trailer.rated.total", "FR", "library"},
	{"PTAC", "vehicle.rated.total", "FR", "library"},
	{"PTRA", "vehicle.rated.combination", "FR", "library"},
	{"Stützlast", "trailer.laden.ball", "DE", "library"},
	{"zulässige Stützlast", "vehicle.towing.ball", "DE", "library"},
	{"Anhängelast, gebremst", "vehicle.towing.braked", "DE", "library"},
	{"Anhängelast, ungebremst", "vehicle.towing.unbraked", "DE", "library"},
	{"zulässige Gesamtmasse", "trailer.rated.total", "DE", "library"},
	{"zulässige Gesamtmasse", "vehicle.rated.total", "DE", "library"},

	{"trailer GVM", "trailer.rated.total", "", "practice"},
	{"vehicle GVM", "vehicle.rated.total", "", "practice"},
	{"trailer MAM", "trailer.rated.total", "", "practice"},
	{"vehicle MAM", "vehicle.rated.total", "", "practice"},
	{"trailer GVWR", "trailer.rated.total", "", "practice"},
	{"vehicle GVWR", "vehicle.rated.total", "", "practice"},
	{"trailer PTAC", "trailer.rated.total", "", "practice"},
	{"vehicle PTAC", "vehicle.rated.total", "", "practice"},
	{"trailer unladen weight", "trailer.tare", "", "practice"},
	{"vehicle unladen weight", "vehicle.unladen", "", "practice"},
	{"trailer tare", "trailer.tare", "", "practice"},
	{"vehicle tare", "vehicle.unladen", "", "practice"},
	{"kerb mass", "vehicle.kerb", "", "practice"},
	{"braked towing limit", "vehicle.towing.braked", "", "practice"},
	{"unbraked towing limit", "vehicle.towing.unbraked", "", "practice"},
}

// plain folds the ways of writing one name: case, and what parts its words.
func plain(name string) string {
	return strings.Join(strings.FieldsFunc(strings.ToLower(name), func(r rune) bool {
		return r == ' ' || r == '-' || r == '_'
	}), " ")
}

// in reports whether the term is one of the place.
func (a alias) in(place string) bool {
	country, _, _ := strings.Cut(place, "-")
	return a.place == "" || a.place == country
}

// meanings lists the facts that a term can mean: in the place, or anywhere if
// no place is given. Elsewhere is what it means where the place does not have it.
func meanings(term, place string) (paths, elsewhere []string) {
	term = plain(term)
	for _, a := range aliases {
		if plain(a.term) != term {
			continue
		}
		if !slices.Contains(elsewhere, a.path) {
			elsewhere = append(elsewhere, a.path)
		}
		if (place == "" || a.in(place)) && !slices.Contains(paths, a.path) {
			paths = append(paths, a.path)
		}
	}
	return paths, elsewhere
}

// aliasesOf lists the terms that are read as the fact, each once.
func aliasesOf(path string) []string {
	var out []string
	for _, a := range aliases {
		if a.path != path {
			continue
		}
		text := a.term
		anywhere, _ := meanings(a.term, "")
		here, _ := meanings(a.term, a.place)
		switch {
		case len(here) > 1:
			continue // refused even there
		case len(anywhere) > 1:
			text += " (" + a.place + ")"
		}
		if !slices.Contains(out, text) {
			out = append(out, text)
		}
	}
	return out
}
