package service_test

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"

	"drawgear/rules/fleet"
	"drawgear/rules/rig"
	"drawgear/service"
)

func (r *registry) load(kind service.EntryKind, text string) service.RegisterImport {
	r.t.Helper()
	got, err := r.Import(r.ctx, kind, "AU-NSW", 0, strings.NewReader(text))
	if err != nil {
		r.t.Fatalf("import %q: %v", text, err)
	}
	if got.Rows != got.Written+got.Unchanged+got.Refused {
		r.t.Errorf("%d rows are not %d, %d and %d", got.Rows, got.Written, got.Unchanged, got.Refused)
	}
	return got
}

func TestRegisterImport(t *testing.T) {
	r := newRegistry(t)
	got := r.load(service.EntryTrailer, "id,ATM [kg],GTM [kg],Yard,since,note,# remarks\r\n"+
		"FLOAT-3,2000,1850,Saltmarsh Yard,2026-11-01,\"a \"\"good\"\" one\",x\r\n"+
		"BOAT-1,1400,,,,,\r\n")
	if got.Written != 2 || len(got.Faults) != 0 {
		t.Fatalf("%+v", got)
	}
	e, err := r.Get(r.ctx, service.EntryTrailer, "FLOAT-3")
	if err != nil || string(e.Document) != `{"rated":{"axles":"1850 kg","total":"2000 kg"}}` || e.Since != "2026-11-01" || e.Note != `a "good" one` || e.Yard != "Saltmarsh Yard" {
		t.Errorf("%+v %v", e, err)
	}
	// The same rows again, one changed, with the terms of the facts in their own names.
	got = r.load(service.EntryTrailer, "note;since;id;trailer.rated.total;trailer.rated.axles;yard\n"+
		"\"a \"\"good\"\" one\";;FLOAT-3;2000 kg;1850 kg;Saltmarsh Yard\n;;BOAT-1;1450 kg;;\n")
	if got.Written != 1 || got.Unchanged != 1 {
		t.Errorf("%+v", got)
	}
	if got := r.load(service.EntryVehicle, "id,vehicle.towing.ball [kg]\nUTE-1,350\n"); got.Written != 1 {
		t.Errorf("%+v", got)
	}
	got = r.load(service.EntryPart, "id,part.role,part.rated_mass [kg],price,currency,fitted_to\n"+
		"CHAIN-1,chain,2500,18.50,AUD,trailers/FLOAT-3\nBALL-1,ball,3500,,,\n")
	if got.Written != 2 {
		t.Fatalf("%+v", got)
	}
	e, err = r.Get(r.ctx, service.EntryPart, "CHAIN-1")
	if err != nil || string(e.Document) != `{"price":{"amount":"18.50","currency":"AUD"},"rated_mass":"2500 kg","role":"chain"}` || *e.FittedTo != (service.RegisterFitted{Kind: service.EntryTrailer, ID: "FLOAT-3"}) {
		t.Errorf("%+v %v", e, err)
	}
	// A column by role tells the same.
	if got := r.load(service.EntryPart, "id,ball.rated_mass [kg]\nBALL-1,3500\n"); got.Unchanged != 1 {
		t.Errorf("%+v", got)
	}
	got = r.load(service.EntryPairing, "id,vehicle.id,trailer.id,jurisdiction,use.commercial,part.role,part.count,part.2.role\nTV-07,UTE-1,FLOAT-3,AU-NSW,yes,shackle,2,ball\n")
	if got.Written != 1 {
		t.Fatalf("%+v", got)
	}
	e, err = r.Get(r.ctx, service.EntryPairing, "TV-07")
	if err != nil || string(e.Document) != `{"jurisdiction":"AU-NSW","parts":[{"count":2,"role":"shackle"},{"role":"ball"}],"trailer":"FLOAT-3","use":{"commercial":true},"vehicle":"UTE-1"}` {
		t.Errorf("%s %v", e.Document, err)
	}
}

func TestRegisterImportDecimals(t *testing.T) {
	for _, test := range []struct {
		decimal     byte
		text, price string
	}{
		{0, "18,5", "18.5"},
		{',', "18,50", "18.50"},
		{'.', "18.50", "18.50"},
		{',', "1,500", "1.500"},
		{0, "1.500", ""},
		{',', "18.50", ""},
		{'.', "1,500", ""},
		{0, "1.500,00", ""}, // two meanings, or not of the file
	} {
		r := newRegistry(t)
		got, err := r.Import(r.ctx, service.EntryPart, "", test.decimal, strings.NewReader("id;part.role;price;currency\nBALL-1;ball;"+test.text+";AUD\n"))
		if err != nil {
			t.Fatal(err)
		}
		if test.price == "" {
			if got.Refused != 1 || got.Faults[0].Column != 3 {
				t.Errorf("%s with %q: %+v", test.text, test.decimal, got)
			}
			continue
		}
		e, err := r.Get(r.ctx, service.EntryPart, "BALL-1")
		if want := `{"price":{"amount":"` + test.price + `","currency":"AUD"},"role":"ball"}`; err != nil || string(e.Document) != want {
			t.Errorf("%s with %q: %s %v", test.text, test.decimal, e.Document, err)
		}
	}
}

// A bad row is told with its place, and those around it are written.
func TestRegisterImportFaults(t *testing.T) {
	type place struct{ line, column int }
	for _, test := range []struct {
		name    string
		kind    service.EntryKind
		text    string
		at      []place
		written int
	}{
		{"no id", service.EntryVehicle, "id,yard\n,Tarn\nUTE-7,\n", []place{{2, 1}}, 1},
		{"an id that is none", service.EntryVehicle, "yard,id\n,a/b\n,UTE-7\n", []place{{2, 2}}, 1},
		{"an id twice", service.EntryVehicle, "id,vehicle.abs\nUTE-7,true\nUTE-8,\nUTE-7,false\n", []place{{4, 1}}, 2},
		{"an id of a bad row", service.EntryVehicle, "id,vehicle.abs\nUTE-7,maybe\nUTE-7,false\n", []place{{2, 2}, {3, 1}}, 0},
		{"a fact of a trailer", service.EntryVehicle, "id,trailer.tare [kg],vehicle.abs,trailer.items.1.name\nUTE-7,900,,\nUTE-8,,true,\nUTE-9,,,hay\n", []place{{2, 2}, {4, 4}}, 1},
		{"a day of the law", service.EntryVehicle, "id,as_of\nUTE-7,2026-11-25\n", []place{{2, 2}}, 0},
		{"a place of a trailer", service.EntryTrailer, "id,jurisdiction\nF-7,AU-NSW\n", []place{{2, 2}}, 0},
		{"parts of a trailer", service.EntryTrailer, "id,chain.count\nF-7,2\nF-8,\n", []place{{2, 2}}, 1},
		{"ids of a trailer's vehicle", service.EntryTrailer, "id,vehicle.id,trailer.id\nF-7,UTE-1,F-7\n", []place{{2, 2}, {2, 3}}, 0},
		{"a mass that is none", service.EntryTrailer, "id,trailer.tare [kg]\nF-7,heavy\nF-8,900\n", []place{{2, 2}}, 1},
		{"a contradiction", service.EntryTrailer, "id,trailer.tare [kg],trailer.rated.total [kg]\nF-7,2000,1000\n", []place{{2, 3}, {2, 2}}, 0},
		{"no day", service.EntryTrailer, "id,since\nF-7,25/11/2026\nF-8,2026-11-25\nF-9,2036-11-26\n", []place{{2, 2}, {4, 2}}, 1},
		{"a long note", service.EntryTrailer, "id,note\nF-7," + strings.Repeat("x", 501) + "\n", []place{{2, 2}}, 0},
		{"a note on two lines", service.EntryTrailer, "id,note\nF-7,\"a\nb\"\nF-8,\n", []place{{2, 2}}, 1},
		{"too many cells", service.EntryTrailer, "id,note\nF-7,a,b\nF-8,\n", []place{{2, 3}}, 1},
		{"a quote not closed", service.EntryTrailer, "id,note\nF-6,\nF-7,\"a\nF-8,\n", []place{{3, 2}}, 1},
		{"no part", service.EntryPart, "id,part.role\nX-7,\nX-8,ball\n", []place{{2, 0}}, 1},
		{"two parts", service.EntryPart, "id,part.role,chain.count\nX-7,ball,2\nX-8,,2\n", []place{{2, 0}}, 1},
		{"a part that is none", service.EntryPart, "id,part.role\nX-7,rope\n", []place{{2, 2}}, 0},
		{"half a price", service.EntryPart, "id,part.role,price,currency\nX-7,ball,1,\nX-8,ball,,AUD\nX-9,ball,1,aud\n", []place{{2, 4}, {3, 3}, {4, 4}}, 0},
		{"fitted to what is not there", service.EntryPart, "id,part.role,fitted_to\nX-7,ball,trailers/F-99\nX-8,ball,UTE-1\nX-9,ball,vehicles/UTE-1\n", []place{{2, 3}, {3, 3}}, 1},
		{"a pairing of what is not there", service.EntryPairing, "id,vehicle.id,trailer.id\nP-7,UTE-1,F-99\nP-8,,FLOAT-3\nP-9,UTE-1,FLOAT-3\n", []place{{2, 3}, {3, 2}}, 1},
		{"a fact in a pairing", service.EntryPairing, "id,vehicle.id,trailer.id,vehicle.abs\nP-7,UTE-1,FLOAT-3,true\n", []place{{2, 4}}, 0},
	} {
		t.Run(test.name, func(t *testing.T) {
			r := newRegistry(t)
			r.rig()
			got := r.load(test.kind, test.text)
			var at []place
			for _, f := range got.Faults {
				at = append(at, place{f.Line, f.Column})
				if f.Message == "" || f.Advice == "" || f.Column > 0 && f.Name == "" && f.Column != 3 {
					t.Errorf("%+v", f)
				}
			}
			if !slices.Equal(at, test.at) || got.Written != test.written {
				t.Errorf("%+v", got)
			}
		})
	}
}

func TestRegisterImportRefusesFiles(t *testing.T) {
	r := newRegistry(t)
	for name, text := range map[string]string{
		"empty": "", "UTF-16": "\xff\xfei\x00d\x00\n\x00", "UTF-16 without a mark": "i\x00d\x00\n\x00", "a workbook": "PK\x03\x04id\n", "compressed": "\x1f\x8b\x08id\n",
		"Latin-1": "id,note \xe9\n", "no id": "yard,vehicle.abs\nx,true\n", "a column that is not": "id,colour\n1,red\n", "a price of a vehicle": "id,price\n1,2\n",
		"a term of two meanings": "id,tare\n1,2\n", "a column twice": "id,Yard,yard\n", "a NUL": "id\x00\n",
	} {
		_, err := r.Import(r.ctx, service.EntryVehicle, "AU-NSW", 0, strings.NewReader(text))
		var bad *fleet.Bad
		if !errors.As(err, &bad) || len(bad.Faults) == 0 || bad.Faults[0].Advice == "" {
			t.Errorf("%s: %v", name, err)
		}
	}
	if _, err := r.Import(r.ctx, service.EntryVehicle, "Tarn", 0, strings.NewReader("id\n")); !slices.Equal(pointers(err), []string{"/place"}) {
		t.Error(err)
	}
	if _, err := r.Import(r.ctx, "boats", "", 0, strings.NewReader("id\n")); !errors.Is(err, service.ErrNotFound) {
		t.Error(err)
	}
	if page, err := r.List(r.ctx, service.RegisterQuery{Kind: service.EntryVehicle, Removed: true}); err != nil || len(page.Items) != 0 {
		t.Errorf("%+v %v", page, err)
	}
}

func TestRegisterImportLimits(t *testing.T) {
	r := newRegistry(t)
	var text strings.Builder
	text.WriteString("id,since\n")
	for i := range 450 { // more than two steps
		fmt.Fprintf(&text, "U-%03d,%s\n", i, map[bool]string{true: "soon"}[i%2 == 1])
	}
	got := r.load(service.EntryVehicle, text.String())
	if got.Written != 225 || got.Refused != 225 || len(got.Faults) != service.MaxImportFaults || got.Faults[0].Line != 3 || got.Faults[199].Line != 401 {
		t.Errorf("%d written, %d refused, %d faults", got.Written, got.Refused, len(got.Faults))
	}
	// Rows of a bad day cost no store.
	file := "id,since\n" + strings.Repeat(",\n", 10) + strings.Repeat("U,soon\n", service.MaxImportRows) + "U-1,\n"
	got = r.load(service.EntryVehicle, file)
	if got.Rows != service.MaxImportRows || got.Written != 0 {
		t.Errorf("%d rows, %d written", got.Rows, got.Written)
	}
}

// overtaken is a register to which somebody else writes before each of the first
// writes.
type overtaken struct {
	service.Register
	left int
	id   string
}

func (o *overtaken) PutEntries(ctx context.Context, es ...service.Entry) error {
	if o.left > 0 {
		o.left--
		e, err := o.GetEntry(ctx, service.EntryVehicle, o.id)
		if err != nil && !errors.Is(err, service.ErrNotFound) {
			return err
		}
		other := service.Entry{Kind: service.EntryVehicle, ID: o.id, Revision: e.Revision + 1, WrittenAt: noon, Since: "2026-11-25", Document: []byte(`{}`)}
		if err := o.Register.PutEntries(ctx, other); err != nil {
			return err
		}
	}
	return o.Register.PutEntries(ctx, es...)
}

func TestRegisterOvertaken(t *testing.T) {
	for _, test := range []struct{ others, written, refused int }{{0, 3, 0}, {1, 3, 0}, {5, 3, 0}, {8, 2, 1}, {50, 2, 1}} {
		r := newRegistry(t)
		st := &overtaken{r.store, test.others, "UTE-2"}
		registry := service.NewRegistry(nil, st, at(noon))
		got, err := registry.Import(r.ctx, service.EntryVehicle, "", 0, strings.NewReader("id,vehicle.abs\nUTE-1,true\nUTE-2,true\nUTE-3,true\n"))
		if err != nil || got.Written != test.written || got.Refused != test.refused {
			t.Errorf("%d others: %+v %v", test.others, got, err)
		}
		for _, f := range got.Faults {
			if f.Line != 3 || f.Advice == "" {
				t.Errorf("%+v", f)
			}
		}
	}
	r := newRegistry(t)
	registry := service.NewRegistry(nil, &overtaken{r.store, 3, "UTE-2"}, at(noon))
	e, err := registry.Put(r.ctx, service.EntryVehicle, "UTE-2", "", false, service.RegisterWrite{Document: []byte(`{"abs":true}`)})
	if err != nil || e.Revision != 4 {
		t.Errorf("%+v %v", e, err)
	}
	registry = service.NewRegistry(nil, &overtaken{r.store, 1, "UTE-2"}, at(noon))
	if _, err := registry.Put(r.ctx, service.EntryVehicle, "UTE-2", e.ETag(), false, service.RegisterWrite{Document: []byte(`{}`)}); !errors.Is(err, service.ErrStale) {
		t.Errorf("a write over what was not seen: %v", err)
	}
	registry = service.NewRegistry(nil, &overtaken{r.store, 1 << 30, "UTE-2"}, at(noon))
	if _, err := registry.Put(r.ctx, service.EntryVehicle, "UTE-2", "", false, service.RegisterWrite{Document: []byte(`{}`), Note: "mine"}); !errors.Is(err, service.ErrStale) {
		t.Errorf("others write without end: %v", err)
	}
}

func TestRegisterTemplates(t *testing.T) {
	for _, place := range []string{"", "AU-NSW", "GB", "US-CA", "DE", "NZ"} {
		r := newRegistry(t)
		for _, kind := range service.EntryKinds {
			text, err := r.Template(kind, place)
			if err != nil {
				t.Fatal(err)
			}
			got, err := r.Import(r.ctx, kind, place, 0, strings.NewReader(text))
			if err != nil || got.Written != 1 || got.Rows != 1 {
				t.Errorf("%s of %q: %+v %v", kind, place, got, err)
			}
		}
	}
	r := newRegistry(t)
	if text, err := r.Template(service.EntryTrailer, "AU-NSW"); err != nil || !strings.Contains(text, "ATM [kg],GTM [kg]") {
		t.Errorf("%s %v", text, err)
	}
	if _, err := r.Template(service.EntryTrailer, "Tarn"); !slices.Equal(pointers(err), []string{"/place"}) {
		t.Error(err)
	}
	if _, err := r.Template("boats", ""); !errors.Is(err, service.ErrNotFound) {
		t.Error(err)
	}
}

func TestRegisterExport(t *testing.T) {
	r := newRegistry(t)
	r.put(service.EntryVehicle, "=UTE", service.RegisterWrite{Yard: "@Tarn", Note: "-1, \"or\" 'so", Document: []byte(`{"registered_in":"+AU","abs":false}`)})
	r.put(service.EntryVehicle, "A", service.RegisterWrite{Yard: "Saltmarsh Yard", Document: []byte(`{"kerb":"2 t"}`)})
	r.document(service.EntryVehicle, "B", `{}`)
	if _, err := r.Remove(r.ctx, service.EntryVehicle, "B", "", ""); err != nil {
		t.Fatal(err)
	}
	for yard, want := range map[string]string{
		"": "id,yard,since,note,vehicle.registered_in,vehicle.abs,vehicle.kerb\r\n" +
			"'=UTE,'@Tarn,2026-11-25,\"'-1, \"\"or\"\" 'so\",'+AU,false,\r\nA,Saltmarsh Yard,2026-11-25,,,,2 t\r\n",
		"Saltmarsh Yard": "id,yard,since,note,vehicle.kerb\r\nA,Saltmarsh Yard,2026-11-25,,2 t\r\n",
		"Tarn":           "id,yard,since,note\r\n",
	} {
		var out strings.Builder
		if err := r.Export(r.ctx, service.EntryVehicle, yard, &out); err != nil || out.String() != want {
			t.Errorf("%q: %q %v", yard, out.String(), err)
		}
	}
	if err := r.Export(r.ctx, "boats", "", &strings.Builder{}); !errors.Is(err, service.ErrNotFound) {
		t.Error(err)
	}
}

// changing is a register in which an entry changes after its list was read once.
type changing struct {
	service.Register
	r *registry
}

func (c *changing) ListEntries(ctx context.Context, f service.EntryFilter) ([]service.Entry, error) {
	es, err := c.Register.ListEntries(ctx, f)
	if c.r != nil {
		r := c.r
		c.r = nil
		r.now = r.now.AddDate(0, 0, 1)
		r.document(service.EntryVehicle, "A", `{"abs":true}`)
		r.document(service.EntryVehicle, "C", `{"off_road":true}`)
		if _, err := r.Remove(r.ctx, service.EntryVehicle, "B", "", ""); err != nil {
			return nil, err
		}
	}
	return es, err
}

// An export is the register as it was when it began.
func TestRegisterExportStandsStill(t *testing.T) {
	r := newRegistry(t)
	r.document(service.EntryVehicle, "A", `{"kerb":"2 t"}`)
	r.document(service.EntryVehicle, "B", `{}`)
	var out strings.Builder
	registry := service.NewRegistry(nil, &changing{r.store, r}, at(noon))
	const want = "id,yard,since,note,vehicle.kerb\r\nA,,2026-11-25,,2 t\r\nB,,2026-11-25,,\r\n"
	if err := registry.Export(r.ctx, service.EntryVehicle, "", &out); err != nil || out.String() != want {
		t.Errorf("%q %v", out.String(), err)
	}
}

// However different the entries of a kind are, one table holds them all.
func TestRegisterExportWidest(t *testing.T) {
	r := newRegistry(t)
	r.document(service.EntryVehicle, "V", `{}`)
	r.document(service.EntryTrailer, "T", `{}`)
	sample := func(f rig.Field) string {
		switch f.Kind {
		case rig.KindQuantity:
			return `"1 ` + f.Dim.Units()[0].Symbol() + `"`
		case rig.KindBool:
			return "true"
		case rig.KindCount:
			return "1"
		case rig.KindWord:
			return `"` + f.Words[0] + `"`
		case rig.KindText:
			return `"x"`
		case rig.KindDate:
			return `"2024-02-29"`
		case rig.KindMasses:
			return `["1 kg"]`
		default:
			return "[]"
		}
	}
	facts := map[service.EntryKind]int{}
	for i, f := range rig.Fields() {
		names := strings.Split(f.Path, ".")
		kind, doc := service.EntryKind(names[0]+"s"), sample(f)
		if names[0] == "use" {
			kind = service.EntryPairing
			names = append([]string{""}, names...)
		}
		if f.Derived() || !slices.Contains(service.EntryKinds, kind) {
			continue
		}
		for _, name := range slices.Backward(names[1:]) {
			doc = `{"` + name + `":` + doc + `}`
		}
		if kind == service.EntryPairing {
			doc = `{"vehicle":"V","trailer":"T",` + doc[1:]
		}
		r.document(kind, fmt.Sprint("fact ", i), doc)
		facts[kind]++
	}
	for kind, place := range map[service.EntryKind]string{service.EntryVehicle: "behind_front_axle", service.EntryTrailer: "behind_coupling"} {
		item := `{"name":"x","mass":"1 kg","` + place + `":"1 m"}`
		r.document(kind, "items", `{"items":[`+strings.Repeat(item+",", 49)+item+`]}`)
		facts[kind] += 50 * 3
	}
	const most = `"role":"tyre","rated_mass":"1 kg","rated_ball":"1 kg","d_value":"1 kN","dc_value":"1 kN","v_value":"1 kN","working_load":"1 kg","least_mass":"1 kg","size":"1 mm","grade":"x",` +
		`"load_index":1,"load_index_dual":1,"speed_symbol":"x","on":"trailer","axle":1,"count":2,`
	for _, breaking := range []string{`"breaking_mass":"1 kg"`, `"breaking_force":"1 kN"`} {
		part := `{` + most + breaking + `}`
		r.document(service.EntryPart, breaking, part)
		r.document(service.EntryPairing, breaking, `{"vehicle":"V","trailer":"T","jurisdiction":"ZZ","parts":[`+strings.Repeat(part+",", service.MaxPairingParts-1)+part+`]}`)
	}
	facts[service.EntryPart] = len(rig.PartFields) - 1 // the role is a column of its own kind already
	facts[service.EntryPairing] += service.MaxPairingParts * len(rig.PartFields)
	for kind, own := range map[service.EntryKind]int{service.EntryVehicle: 4, service.EntryTrailer: 4, service.EntryPart: 8, service.EntryPairing: 7} {
		var out strings.Builder
		if err := r.Export(r.ctx, kind, "", &out); err != nil {
			t.Errorf("%s: %v", kind, err)
			continue
		}
		head, _, _ := strings.Cut(out.String(), "\r\n")
		if n := strings.Count(head, ",") + 1; n != own+facts[kind] || n > fleet.MaxColumns {
			t.Errorf("%s: %d columns, %d facts", kind, n, facts[kind])
		}
		got, err := r.Import(r.ctx, kind, "", 0, strings.NewReader(out.String()))
		if err != nil || got.Unchanged != got.Rows || got.Rows < 2 {
			t.Errorf("%s: %+v %v", kind, got, err)
		}
	}
}

// counted counts what a register is asked for.
type counted struct {
	service.Register
	one, many int
}

func (c *counted) GetEntry(ctx context.Context, kind service.EntryKind, id string) (service.Entry, error) {
	c.one++
	return c.Register.GetEntry(ctx, kind, id)
}

func (c *counted) GetEntries(ctx context.Context, kind service.EntryKind, ids ...string) ([]service.Entry, error) {
	c.many++
	return c.Register.GetEntries(ctx, kind, ids...)
}

// TestRegisterImportAsksTogether: rows are looked up by the batch, with what they
// name.
func TestRegisterImportAsksTogether(t *testing.T) {
	r := newRegistry(t)
	r.rig()
	file := "id,vehicle.id,trailer.id\n"
	for n := range 401 { // three batches of 200
		file += fmt.Sprintf("P%03d,UTE-1,FLOAT-3\n", n)
	}
	for _, test := range []struct{ written, unchanged int }{{401, 0}, {0, 401}} {
		st := &counted{Register: r.store}
		got, err := service.NewRegistry(nil, st, at(noon)).Import(r.ctx, service.EntryPairing, "", 0, strings.NewReader(file))
		if err != nil || got.Written != test.written || got.Unchanged != test.unchanged {
			t.Errorf("%+v %v", got, err)
		}
		if st.one != 0 || st.many != 9 { // pairings, vehicles and trailers of each
			t.Errorf("asked for single entries %d times and for many %d times, want 0 and 9", st.one, st.many)
		}
	}
	// What was removed is not there to be named.
	for _, e := range []struct {
		kind service.EntryKind
		id   string
	}{{service.EntryPairing, "P-1"}, {service.EntryVehicle, "UTE-9"}} {
		if e.kind == service.EntryVehicle {
			r.document(e.kind, e.id, `{}`)
		}
		if _, err := r.Remove(r.ctx, e.kind, e.id, "", ""); err != nil {
			t.Fatal(err)
		}
	}
	got := r.load(service.EntryPairing, "id,vehicle.id,trailer.id\nP-7,UTE-9,FLOAT-3\nP-1,UTE-1,FLOAT-3\n")
	if got.Refused != 1 || got.Written != 1 || got.Faults[0].Line != 2 || got.Faults[0].Column != 2 {
		t.Errorf("%+v", got)
	}
	if e, err := r.Get(r.ctx, service.EntryPairing, "P-1"); err != nil || e.Revision != 3 || e.Removed {
		t.Errorf("an entry that comes again: %+v %v", e, err)
	}
}
