package service_test

import (
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"drawgear/rules/quantity"
	"drawgear/rules/rig"
	"drawgear/service"
)

// Texts as people write them, and as a spreadsheet must not run them.
var drawnText = rapid.StringMatching(`[ '"=+@|,;\-A-Za-zé#\[\]]{0,10}[a-z'"=]`)

func drawAmount(t *rapid.T, dim quantity.Dimension, name string) string {
	u := rapid.SampledFrom(dim.Units()).Draw(t, name+" unit")
	n := rapid.IntRange(1, 9).Draw(t, name)
	if u.Symbol() == "lbf" { // held in whole numbers only
		return fmt.Sprintf("%d lbf", n)
	}
	return fmt.Sprintf("%d.%03d %s", n, rapid.IntRange(0, 999).Draw(t, name+" rest"), u)
}

// drawSide draws the document of a vehicle or trailer from the table of facts.
func drawSide(t *rapid.T, side, place string) map[string]any {
	tree := map[string]any{}
	for _, f := range rig.Fields() {
		if f.Derived() || !strings.HasPrefix(f.Path, side+".") || rapid.IntRange(0, 5).Draw(t, "give "+f.Path) != 0 {
			continue
		}
		var v any
		switch f.Kind {
		case rig.KindQuantity:
			v = drawAmount(t, f.Dim, f.Path)
		case rig.KindBool:
			v = rapid.Bool().Draw(t, f.Path)
		case rig.KindCount:
			v = rapid.IntRange(0, 4).Draw(t, f.Path)
		case rig.KindWord:
			v = rapid.SampledFrom(f.Words).Draw(t, f.Path)
		case rig.KindText:
			v = drawnText.Draw(t, f.Path)
		case rig.KindDate:
			v = rapid.SampledFrom([]string{"1999-12-31", "2024-02-29"}).Draw(t, f.Path)
		case rig.KindWords:
			v = rapid.SliceOfN(rapid.SampledFrom(f.Words), 0, 3).Draw(t, f.Path)
		case rig.KindCounts:
			v = rapid.SampledFrom([][]int{{}, {1}, {2, 1}}).Draw(t, f.Path)
		case rig.KindMasses:
			v = []any{drawAmount(t, f.Dim, f.Path), drawAmount(t, f.Dim, f.Path)}
		}
		at, names := tree, strings.Split(f.Path, ".")[1:]
		for _, name := range names[:len(names)-1] {
			if at[name] == nil {
				at[name] = map[string]any{}
			}
			at = at[name].(map[string]any)
		}
		at[names[len(names)-1]] = v
	}
	items := []any{}
	for range max(0, rapid.IntRange(-2, 2).Draw(t, "items")) {
		items = append(items, map[string]any{"name": drawnText.Draw(t, "name"), place: drawAmount(t, quantity.Length, "place")})
	}
	tree["items"] = items
	return tree
}

func drawPart(t *rapid.T) map[string]any {
	p := map[string]any{"role": rapid.SampledFrom(rig.PartRoles).Draw(t, "role")}
	for name, draw := range map[string]func() any{
		"rated_mass": func() any { return drawAmount(t, quantity.Mass, "rated mass") },
		"d_value":    func() any { return drawAmount(t, quantity.Force, "D-value") },
		"size":       func() any { return drawAmount(t, quantity.Length, "size") },
		"grade":      func() any { return drawnText.Draw(t, "grade") },
		"load_index": func() any { return rapid.IntRange(0, 279).Draw(t, "load index") },
		"on":         func() any { return rapid.SampledFrom(rig.PlaceWords).Draw(t, "on") },
		"count":      func() any { return rapid.IntRange(0, 4).Draw(t, "count") },
	} {
		if v := draw(); rapid.Bool().Draw(t, "give "+name) {
			p[name] = v
		}
	}
	return p
}

// drawRegister fills a register with entries of all kinds.
func drawRegister(t *rapid.T, r *registry) {
	id := rapid.StringMatching(`[A-Z='@+\-][ A-Za-z0-9é.,;"'=]{0,8}[A-Z0-9'"]`)
	var vehicles, trailers []string
	write := func(kind service.EntryKind, id string, doc map[string]any, to *service.RegisterFitted) bool {
		text, err := json.Marshal(doc)
		if err != nil {
			t.Fatal(err)
		}
		w := service.RegisterWrite{Document: text, FittedTo: to}
		if rapid.Bool().Draw(t, "with texts") {
			w.Yard, w.Note = drawnText.Draw(t, "yard"), drawnText.Draw(t, "note")
			w.Since = rapid.SampledFrom([]string{"2001-01-01", "2026-11-25", "2030-12-31"}).Draw(t, "since")
		}
		_, err = r.Put(r.ctx, kind, id, "", true, w)
		var issues rig.Issues
		if errors.As(err, &issues) {
			for _, is := range issues {
				if is.Code != rig.CodeContradiction && is.Message != "there is no axle 0" {
					t.Fatalf("%s: %v", text, err)
				}
			}
			return false // facts that contradict each other
		}
		if errors.Is(err, service.ErrStale) {
			return false // the id came before
		}
		if err != nil {
			t.Fatal(err)
		}
		return true
	}
	for range rapid.IntRange(0, 3).Draw(t, "vehicles") {
		if id := id.Draw(t, "id"); write(service.EntryVehicle, id, drawSide(t, "vehicle", "behind_front_axle"), nil) {
			vehicles = append(vehicles, id)
		}
	}
	for range rapid.IntRange(0, 3).Draw(t, "trailers") {
		if id := id.Draw(t, "id"); write(service.EntryTrailer, id, drawSide(t, "trailer", "behind_coupling"), nil) {
			trailers = append(trailers, id)
		}
	}
	for range rapid.IntRange(0, 3).Draw(t, "parts") {
		p := drawPart(t)
		if rapid.Bool().Draw(t, "priced") {
			p["price"] = map[string]any{"amount": rapid.StringMatching(`(0|[1-9][0-9]{0,3})(\.[0-9]{1,4})?`).Draw(t, "amount"), "currency": "AUD"}
		}
		var to *service.RegisterFitted
		if len(trailers) > 0 && rapid.Bool().Draw(t, "fitted") {
			to = &service.RegisterFitted{Kind: service.EntryTrailer, ID: rapid.SampledFrom(trailers).Draw(t, "to")}
		}
		write(service.EntryPart, id.Draw(t, "id"), p, to)
	}
	if len(vehicles) == 0 || len(trailers) == 0 {
		return
	}
	for range rapid.IntRange(0, 3).Draw(t, "pairings") {
		p := map[string]any{"vehicle": rapid.SampledFrom(vehicles).Draw(t, "vehicle"), "trailer": rapid.SampledFrom(trailers).Draw(t, "trailer")}
		if rapid.Bool().Draw(t, "with more") {
			p["jurisdiction"], p["use"] = "AU-NSW", map[string]any{"commercial": rapid.Bool().Draw(t, "commercial"), "speed": drawAmount(t, quantity.Speed, "speed")}
		}
		var list []any
		for range rapid.IntRange(0, 3).Draw(t, "between") {
			list = append(list, drawPart(t))
		}
		if list != nil {
			p["parts"] = list
		}
		write(service.EntryPairing, id.Draw(t, "id"), p, nil)
	}
}

func (r *registry) all(t *rapid.T, kind service.EntryKind) []service.RegisterEntry {
	page, err := r.List(r.ctx, service.RegisterQuery{Kind: kind, Limit: service.MaxLimit})
	if err != nil || page.Next != "" {
		t.Fatal(err)
	}
	return page.Items
}

// What is exported changes nothing when it is read again, and makes the same
// register where there is none.
func TestRegisterRoundTrip(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		from, to := newRegistry(t), newRegistry(t)
		drawRegister(rt, from)
		for _, kind := range service.EntryKinds { // what is named comes first
			var out strings.Builder
			if err := from.Export(from.ctx, kind, "", &out); err != nil {
				rt.Fatal(err)
			}
			entries := from.all(rt, kind)
			same, err := from.Import(from.ctx, kind, "", 0, strings.NewReader(out.String()))
			if err != nil || same.Unchanged != len(entries) || same.Rows != len(entries) {
				rt.Fatalf("%s: %+v %v", out.String(), same, err)
			}
			fresh, err := to.Import(to.ctx, kind, "", 0, strings.NewReader(out.String()))
			if err != nil || fresh.Written != len(entries) {
				rt.Fatalf("%s: %+v %v", out.String(), fresh, err)
			}
			back := to.all(rt, kind)
			for i, e := range entries {
				want, _ := json.Marshal(e)
				got, _ := json.Marshal(back[i])
				if string(got) != string(want) {
					rt.Fatalf("%s came back as %s", want, got)
				}
			}
		}
	})
}

// What was fitted on a day is what the last revision up to that day says.
func TestRegisterFittedByDay(t *testing.T) {
	first := time.Date(2027, 1, 1, 0, 0, 0, 0, time.UTC)
	dayOf := func(n int) string { return first.AddDate(0, 0, n).Format(time.DateOnly) }
	rapid.Check(t, func(rt *rapid.T) {
		r := newRegistry(t)
		r.document(service.EntryTrailer, "F-0", `{}`)
		r.document(service.EntryTrailer, "F-1", `{}`)
		type revision struct {
			day    int
			to     string // empty in stock or removed
			rating int
		}
		written := map[string][]revision{}
		for _, part := range []string{"A", "B"} {
			day := 0
			for range rapid.IntRange(0, 8).Draw(rt, part) {
				day += rapid.IntRange(0, 2).Draw(rt, "days")
				v := revision{day, rapid.SampledFrom([]string{"", "F-0", "F-1"}).Draw(rt, "to"), rapid.IntRange(1, 2).Draw(rt, "rating")}
				w := service.RegisterWrite{Since: dayOf(day), Document: fmt.Appendf(nil, `{"role":"chain","rated_mass":"%d t"}`, v.rating)}
				if v.to != "" {
					w.FittedTo = &service.RegisterFitted{Kind: service.EntryTrailer, ID: v.to}
				}
				r.put(service.EntryPart, part, w)
				written[part] = append(written[part], v)
			}
			if len(written[part]) > 0 && rapid.Bool().Draw(rt, "removed") {
				if _, err := r.Remove(r.ctx, service.EntryPart, part, "", ""); err != nil {
					rt.Fatal(err)
				}
				written[part] = append(written[part], revision{day: day}) // from the day of the last, which is to come
			}
		}
		for _, trailer := range []string{"F-0", "F-1"} {
			for n := -1; n < 20; n++ {
				var want []string
				for _, part := range []string{"A", "B"} {
					var holds revision
					for _, v := range written[part] {
						if v.day <= n {
							holds = v
						}
					}
					if holds.to == trailer {
						want = append(want, fmt.Sprintf(`%s {"rated_mass":"%d t","role":"chain"}`, part, holds.rating))
					}
				}
				fits, err := r.Fitted(r.ctx, service.FittedTo{Kind: service.EntryTrailer, ID: trailer}, dayOf(n))
				if err != nil {
					rt.Fatal(err)
				}
				var got []string
				for _, f := range fits {
					got = append(got, f.Part+" "+string(f.Document))
				}
				if !slices.Equal(got, want) {
					rt.Fatalf("%s on %s: %q, want %q", trailer, dayOf(n), got, want)
				}
			}
		}
	})
}
