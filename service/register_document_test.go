package service_test

import (
	"bytes"
	"encoding/json"
	"slices"
	"strings"
	"testing"

	"drawgear/service"
)

func TestRegisterDocuments(t *testing.T) {
	r := newRegistry(t)
	r.rig()
	for _, test := range []struct {
		name      string
		kind      service.EntryKind
		doc, want string
	}{
		{"nothing is known", service.EntryTrailer, ` { } `, `{}`},
		{"names in order, amounts without zeros, units as entered", service.EntryTrailer, `{"tare":"0.98 t","rated":{"total":"2000.00 kg"},"items":[]}`, `{"rated":{"total":"2000 kg"},"tare":"0.98 t"}`},
		{"signs of HTML stay", service.EntryVehicle, `{"registered_in":"<&>"}`, `{"registered_in":"<&>"}`},
		{"a part", service.EntryPart, `{"size":"10 mm","role":"chain","count":1}`, `{"role":"chain","size":"10 mm"}`},
		{"none of a part", service.EntryPart, `{"role":"chain","count":0}`, `{"count":0,"role":"chain"}`},
		{"a price as entered", service.EntryPart, `{"role":"ball","price":{"currency":"AUD","amount":"18.50"}}`, `{"price":{"amount":"18.50","currency":"AUD"},"role":"ball"}`},
		{"a price of nothing", service.EntryPart, `{"role":"ball","price":{"currency":"AUD","amount":"0"}}`, `{"price":{"amount":"0","currency":"AUD"},"role":"ball"}`},
		{"four decimals", service.EntryPart, `{"role":"ball","price":{"currency":"AUD","amount":"999999999999.9999"}}`, `{"price":{"amount":"999999999999.9999","currency":"AUD"},"role":"ball"}`},
		{"a pairing keeps the order of its parts", service.EntryPairing, `{"parts":[{"role":"shackle"},{"role":"ball"}],"use":{"speed":"80 km/h"},"trailer":"FLOAT-3","vehicle":"UTE-1"}`, `{"parts":[{"role":"shackle"},{"role":"ball"}],"trailer":"FLOAT-3","use":{"speed":"80 km/h"},"vehicle":"UTE-1"}`},
	} {
		t.Run(test.name, func(t *testing.T) {
			for _, doc := range []string{test.doc, test.want} { // the canonical form is its own
				e, err := r.Put(r.ctx, test.kind, "x", "", false, service.RegisterWrite{Document: []byte(doc)})
				if err != nil || string(e.Document) != test.want {
					t.Errorf("%s %v", e.Document, err)
				}
			}
		})
	}
}

func TestRegisterFaults(t *testing.T) {
	r := newRegistry(t)
	r.rig()
	long := strings.Repeat("x", 65)
	for _, test := range []struct {
		name string
		kind service.EntryKind
		doc  string
		at   []string
	}{
		{"nothing", service.EntryVehicle, ``, []string{"/document"}},
		{"no object", service.EntryVehicle, `[]`, []string{"/document"}},
		{"null", service.EntryVehicle, `null`, []string{"/document"}},
		{"twice", service.EntryVehicle, `{"kerb":"1 t","kerb":"2 t"}`, []string{"/document/kerb"}},
		{"a name that is not", service.EntryVehicle, `{"rated":{"totl":"1 t"}}`, []string{"/document/rated/totl"}},
		{"a trailer's", service.EntryVehicle, `{"rated":{"ball":"1 t"},"tare":"1 t"}`, []string{"/document/rated/ball", "/document/tare"}},
		{"a whole rig", service.EntryTrailer, `{"trailer":{}}`, []string{"/document/trailer"}},
		{"no unit", service.EntryTrailer, `{"rated":{"total":"2000"}}`, []string{"/document/rated/total"}},
		{"both of a contradiction", service.EntryTrailer, `{"rated":{"total":"2 t","axles":"3 t"}}`, []string{"/document/rated/axles", "/document/rated/total"}},
		{"an empty text", service.EntryTrailer, `{"registered_in":" "}`, []string{"/document/registered_in"}},
		{"an empty thing carried", service.EntryVehicle, `{"items":[{"mass":"1 kg"},{}]}`, []string{"/document/items/1"}},
		{"too deep", service.EntryTrailer, `{"a":{"a":{"a":{"a":{"a":{"a":{"a":{"a":{"a":1}}}}}}}}}`, []string{"/document/a/a/a/a/a/a/a/a/a"}},
		{"no role", service.EntryPart, `{"size":"10 mm"}`, []string{"/document/role"}},
		{"an empty grade", service.EntryPart, `{"role":"chain","grade":"\t "}`, []string{"/document/grade"}},
		{"breaking strength twice", service.EntryPart, `{"role":"chain","breaking_mass":"1 t","breaking_force":"10 kN"}`, []string{"/document/breaking_force", "/document/breaking_mass"}},
		{"a price in words", service.EntryPart, `{"role":"chain","price":"18.50"}`, []string{"/document/price"}},
		{"a price of a number", service.EntryPart, `{"role":"chain","price":{"amount":18.5,"currency":"AUD"}}`, []string{"/document/price/amount"}},
		{"half a price", service.EntryPart, `{"role":"chain","price":{"amount":"18.50"}}`, []string{"/document/price/currency"}},
		{"a price with more", service.EntryPart, `{"role":"chain","price":{"amount":"18.50","currency":"AUD","tax":"1"}}`, []string{"/document/price/tax"}},
		{"below nothing", service.EntryPart, `{"role":"chain","price":{"amount":"-1","currency":"AUD"}}`, []string{"/document/price/amount"}},
		{"five decimals", service.EntryPart, `{"role":"chain","price":{"amount":"1.00001","currency":"AUD"}}`, []string{"/document/price/amount"}},
		{"another way to write one", service.EntryPart, `{"role":"chain","price":{"amount":"01","currency":"aud"}}`, []string{"/document/price/amount", "/document/price/currency"}},
		{"an empty pairing", service.EntryPairing, `{}`, []string{"/document/trailer", "/document/vehicle"}},
		{"a pairing of objects", service.EntryPairing, `{"vehicle":{},"trailer":1}`, []string{"/document/trailer", "/document/vehicle"}},
		{"more in a pairing", service.EntryPairing, `{"vehicle":"UTE-1","trailer":"FLOAT-3","as_of":"2026-11-25"}`, []string{"/document/as_of"}},
		{"no place", service.EntryPairing, `{"vehicle":"UTE-1","trailer":"FLOAT-3","jurisdiction":"Tarn"}`, []string{"/document/jurisdiction"}},
		{"no use", service.EntryPairing, `{"vehicle":"UTE-1","trailer":"FLOAT-3","use":{"hire":true}}`, []string{"/document/use/hire"}},
		{"a price between", service.EntryPairing, `{"vehicle":"UTE-1","trailer":"FLOAT-3","parts":[{"role":"ball","price":{}}]}`, []string{"/document/parts/0/price"}},
		{"too many parts", service.EntryPairing, `{"vehicle":"UTE-1","trailer":"FLOAT-3","parts":[` + strings.Repeat(`{"role":"ball"},`, 12) + `{"role":"ball"}]}`, []string{"/document/parts"}},
	} {
		t.Run(test.name, func(t *testing.T) {
			_, err := r.Put(r.ctx, test.kind, "x", "", false, service.RegisterWrite{Document: []byte(test.doc)})
			got := slices.Compact(pointers(err))
			if !slices.Equal(got, test.at) {
				t.Errorf("%v", err)
			}
			if err != nil && strings.Contains(err.Error(), "/parts/0/breaking") {
				t.Errorf("a pointer of a rig: %v", err)
			}
		})
	}
	for id, good := range map[string]bool{
		"UTE-1": true, "Tarn Valley 7": true, "é№": true, long[:64]: true, "'=1+1": true, strings.Repeat("é", 64): true, "#1": true,
		"": false, long: false, " x": false, "x ": false, "a/b": false, `a\b`: false, "a|b": false, "a\nb": false, "a\x00": false, "\xff": false,
		".": false, "..": false, "a\u200bb": false, "a\u202eb": false, "a\u00a0b": false, "\ufeffa": false,
	} {
		_, err := r.Put(r.ctx, service.EntryVehicle, id, "", false, service.RegisterWrite{Document: []byte(`{}`)})
		if good && err != nil || !good && !slices.Equal(pointers(err), []string{"/id"}) {
			t.Errorf("%q: %v", id, err)
		}
	}
	for _, test := range []struct {
		name string
		kind service.EntryKind
		w    service.RegisterWrite
		at   []string
	}{
		{"long texts", service.EntryVehicle, service.RegisterWrite{Yard: long, Note: strings.Repeat("é", 501)}, []string{"/note", "/yard"}},
		{"control characters", service.EntryVehicle, service.RegisterWrite{Yard: "a\tb", Note: "a\nb"}, []string{"/note", "/yard"}},
		{"a vehicle that is fitted", service.EntryVehicle, service.RegisterWrite{FittedTo: &service.RegisterFitted{Kind: service.EntryTrailer, ID: "FLOAT-3"}}, []string{"/fitted_to"}},
		{"fitted to a pairing", service.EntryPart, service.RegisterWrite{FittedTo: &service.RegisterFitted{Kind: service.EntryPairing, ID: "P-1"}}, []string{"/fitted_to/kind"}},
		{"fitted to no id", service.EntryPart, service.RegisterWrite{FittedTo: &service.RegisterFitted{Kind: service.EntryVehicle}}, []string{"/fitted_to/id"}},
	} {
		test.w.Document = []byte(`{}`)
		if test.kind == service.EntryPart {
			test.w.Document = []byte(`{"role":"ball"}`)
		}
		if _, err := r.Put(r.ctx, test.kind, "y", "", false, test.w); !slices.Equal(pointers(err), test.at) {
			t.Errorf("%s: %v", test.name, err)
		}
	}
	if e := r.put(service.EntryVehicle, "z", service.RegisterWrite{Yard: long[:64], Note: strings.Repeat("é", 500), Document: []byte(`{}`)}); e.Revision != 1 {
		t.Errorf("%+v", e)
	}
	if _, err := r.Get(r.ctx, service.EntryVehicle, "y"); err == nil {
		t.Error("something refused was written")
	}
}

// FuzzRegisterDocument: whatever is sent is refused with pointers into the body,
// or kept in a form that says the same when it is sent again.
func FuzzRegisterDocument(f *testing.F) {
	for i, doc := range []string{
		`{"rated":{"total":"1 t"}}`, `{"brakes":{"kind":"none"},"items":[{}]}`, `{"role":"chain","price":{"amount":"1","currency":"AUD"}}`,
		`{"vehicle":"UTE-1","trailer":"FLOAT-3","use":{"commercial":true},"parts":[{"role":"ball"}]}`, `{"parts":[[]]}`, `nul`, "{\"a\":\"\xff\"}",
	} {
		f.Add(uint8(i), []byte(doc))
	}
	f.Fuzz(func(t *testing.T, kind uint8, doc []byte) {
		r := newRegistry(t)
		r.rig()
		k := service.EntryKinds[int(kind)%len(service.EntryKinds)]
		e, err := r.Put(r.ctx, k, "x", "", false, service.RegisterWrite{Document: doc})
		if err != nil {
			at := pointers(err)
			if at == nil {
				t.Fatal(err)
			}
			for _, p := range at {
				if p != "/document" && !strings.HasPrefix(p, "/document/") {
					t.Fatalf("%s in %v", p, err)
				}
			}
			return
		}
		again, err := r.Put(r.ctx, k, "x", "", false, service.RegisterWrite{Document: e.Document})
		if err != nil || again.Revision != 1 || !bytes.Equal(again.Document, e.Document) || !json.Valid(e.Document) {
			t.Fatalf("%s %s %v", e.Document, again.Document, err)
		}
	})
}
