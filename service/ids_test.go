package service_test

import (
	"regexp"
	"testing"

	"drawgear/db/memory"
	"drawgear/service"
)

// idForm is that of the contract (AssessmentID).
var idForm = regexp.MustCompile(`^[A-Z2-7]{26}$`)

func TestIDs(t *testing.T) {
	for name, source := range map[string]func() func() string{
		"random":  func() func() string { return service.RandomID },
		"counted": service.CountedIDs,
	} {
		next, seen := source(), map[string]bool{}
		for range 5000 {
			id := next()
			if !idForm.MatchString(id) || seen[id] {
				t.Fatalf("%s: %s has another form, or comes twice", name, id)
			}
			seen[id] = true
		}
		if again := source()(); seen[again] != (name == "counted") {
			t.Errorf("%s: anew it begins with %s", name, again)
		}
	}
}

// TestWithIDs: two services with a fixed clock and counted ids say the same.
func TestWithIDs(t *testing.T) {
	run := func() (out []string) {
		s := service.New(library(t, "1", "750"), memory.New(0), at(noon)).WithIDs(service.CountedIDs())
		for range 3 {
			a, err := s.Assess(local(t), []byte(`{"jurisdiction":"ZZ"}`), true)
			if err != nil {
				t.Fatal(err)
			}
			line, err := a.Encode()
			if err != nil {
				t.Fatal(err)
			}
			out = append(out, string(line))
		}
		return out
	}
	one, two := run(), run()
	for i := range one {
		if one[i] != two[i] {
			t.Errorf("the assessments differ:\n%s\n%s", one[i], two[i])
		}
	}
}
