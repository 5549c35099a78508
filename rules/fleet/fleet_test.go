package fleet

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"testing"
	"testing/iotest"

	"drawgear/rules"
	"drawgear/rules/library"
	"drawgear/rules/rig"
)

func readAll(t testing.TB, r *Reader) []Row {
	t.Helper()
	var rows []Row
	for {
		row, err := r.Next()
		if err == io.EOF {
			return rows
		}
		if err != nil {
			t.Fatal(err)
		}
		rows = append(rows, row)
	}
}

// document is the rig of a row as a document, nil if it has none.
func document(row Row) []byte {
	if row.Rig == nil {
		return nil
	}
	return Document(row.Rig)
}

func readTable(t testing.TB, text string, o Options) []Row {
	t.Helper()
	r, err := NewCSV(strings.NewReader(text), o)
	if err != nil {
		t.Fatalf("%q: %v", text, err)
	}
	return readAll(t, r)
}

func TestRowsBecomeRigs(t *testing.T) {
	for _, test := range []struct{ name, csv, want string }{
		{"unit in the header", "id,jurisdiction,trailer.tare [kg]\r\nA,AU-NSW,1300\r\n", `{"jurisdiction":"AU-NSW","trailer":{"tare":"1300 kg"}}`},
		{"unit in the cell", "trailer.tare\n1300.50 kg\n", `{"trailer":{"tare":"1300.5 kg"}}`},
		{"pounds stay pounds", "trailer.rated.total [lb]\n2990\n", `{"trailer":{"rated":{"total":"2990 lb"}}}`},
		{"byte order mark", bom + "trailer.tare [kg]\n1300\n", `{"trailer":{"tare":"1300 kg"}}`},
		{"no last line break", "trailer.tare [kg],use.commercial\n1300,YES", `{"trailer":{"tare":"1300 kg"},"use":{"commercial":true}}`},
		{"semicolon and decimal comma", "trailer.tare [t];trailer.axle_count\n1,35;2\n", `{"trailer":{"axle_count":2,"tare":"1.35 t"}}`},
		{"a thousands group never begins with 0", "trailer.tare [t];id\n0,750;A\n", `{"trailer":{"tare":"0.75 t"}}`},
		{"tab", "trailer.tare [kg]\ttrailer.built\n1300\t2024-06-01\n", `{"trailer":{"built":"2024-06-01","tare":"1300 kg"}}`},
		{"terms", "GTM [kg],ATM [kg],vehicle GVM\n2200,2400,\n", `{"trailer":{"rated":{"axles":"2200 kg","total":"2400 kg"}}}`},
		{"lists", "vehicle.rated.axles [kg],trailer.approvals,trailer.brakes.axle_positions\n1450|1800,[],1 | 2\n", `{"trailer":{"approvals":[],"brakes":{"axle_positions":[1,2]}},"vehicle":{"rated":{"axles":["1450 kg","1800 kg"]}}}`},
		{"parts in order of role", "chain.count,chain.rated_mass [kg],ball.size [mm],tyre.2.load_index,tyre.2.axle\n2,2500,50,98,1\n", `{"parts":[{"role":"ball","size":"50 mm"},{"count":2,"rated_mass":"2500 kg","role":"chain"},{"axle":1,"load_index":98,"role":"tyre"}]}`},
		{"a part of which there is none", "chain.count\n0\n", `{"parts":[{"count":0,"role":"chain"}]}`},
		{"things carried", "trailer.items.2.name,trailer.items.2.behind_coupling [m]\n\"horse, off side\",3.9\n", `{"trailer":{"items":[{"behind_coupling":"3.9 m","name":"horse, off side"}]}}`},
		{"passed over", "trailer.tare [kg],# notes\n1300,\"anything \x00 at\nall\"\n", `{"trailer":{"tare":"1300 kg"}}`},
		{"text is no formula", "driver.licence\n'=1+1\n", `{"driver":{"licence":"=1+1"}}`},
		{"letters of all the world", "driver.licence\nKlasse é 日本\n", `{"driver":{"licence":"Klasse é 日本"}}`},
	} {
		t.Run(test.name, func(t *testing.T) {
			for _, src := range []io.Reader{strings.NewReader(test.csv), iotest.OneByteReader(strings.NewReader(test.csv)), iotest.DataErrReader(strings.NewReader(test.csv))} {
				r, err := NewCSV(src, Options{})
				if err != nil {
					t.Fatal(err)
				}
				rows := readAll(t, r)
				if len(rows) != 1 || len(rows[0].Faults) > 0 || string(document(rows[0])) != test.want {
					t.Fatalf("got %s %v", document(rows[0]), rows[0].Faults)
				}
				again, err := rig.Decode(document(rows[0]))
				if err != nil || string(Document(again)) != test.want {
					t.Fatalf("the document is not the rig: %v", err)
				}
			}
		})
	}
}

// The examples of RFC 4180 (October 2005), section 2, items 1 to 7, verified:
// text, in a copy of the section.
func TestRFC4180(t *testing.T) {
	head := "id,vehicle.id,trailer.id\r\n"
	for _, test := range []struct {
		item, csv string
		want      [][3]string
	}{
		{"1 and 2", "aaa,bbb,ccc\r\nzzz,yyy,xxx\r\n", [][3]string{{"aaa", "bbb", "ccc"}, {"zzz", "yyy", "xxx"}}},
		{"2 no last line break", "aaa,bbb,ccc\r\nzzz,yyy,xxx", [][3]string{{"aaa", "bbb", "ccc"}, {"zzz", "yyy", "xxx"}}},
		{"5", "\"aaa\",\"bbb\",\"ccc\"\r\nzzz,yyy,xxx", [][3]string{{"aaa", "bbb", "ccc"}, {"zzz", "yyy", "xxx"}}},
		{"6 comma", "\"a,a\",bbb,ccc\r\n", [][3]string{{"a,a", "bbb", "ccc"}}},
		{"7", "\"aaa\",\"b\"\"bb\",\"ccc\"\r\n", [][3]string{{"aaa", `b"bb`, "ccc"}}},
	} {
		rows := readTable(t, head+test.csv, Options{})
		if len(rows) != len(test.want) {
			t.Fatalf("item %s: %d rows", test.item, len(rows))
		}
		for i, row := range rows {
			if got := [3]string{row.ID, row.VehicleID, row.TrailerID}; got != test.want[i] || len(row.Faults) > 0 {
				t.Errorf("item %s: %q %v", test.item, got, row.Faults)
			}
		}
	}
	// Item 6, a line break in quotes: the row is read as one, and the next
	// line keeps its number; no fact of a rig holds a line break.
	rows := readTable(t, head+"\"aaa\",\"b\r\nbb\",\"ccc\"\r\nzzz,yyy,xxx", Options{})
	if len(rows) != 2 || len(rows[0].Faults) != 1 || rows[0].Faults[0].Column != 2 || rows[1].Line != 4 || rows[1].ID != "zzz" {
		t.Errorf("item 6: %+v", rows)
	}
	// The same break where the cell is passed over.
	rows = readTable(t, "id,# b,trailer.id\r\n\"aaa\",\"b\r\nbb\",\"ccc\"\r\nzzz,yyy,xxx", Options{})
	if len(rows) != 2 || len(rows[0].Faults) != 0 || rows[0].TrailerID != "ccc" || rows[1].Line != 4 {
		t.Errorf("item 6, passed over: %+v", rows)
	}
}

func TestBadRowsDoNotStopTheRest(t *testing.T) {
	long := strings.Repeat("9", MaxCell+1)
	for _, test := range []struct {
		name, head, row string
		line, column    int
		says            string
	}{
		{"no unit", "id,trailer.tare", "A,1300", 2, 2, "unit"},
		{"unit in cell and header", "id,trailer.tare [kg]", "A,1300 lb", 2, 2, "no plain number"},
		{"negative", "id,trailer.tare [kg]", "A,-5", 2, 2, "no plain number"},
		{"not a number", "id,trailer.tare [kg]", "A,n/a", 2, 2, "no plain number"},
		{"decimal comma among commas", "id,trailer.tare [kg]", "A,\"1,5\"", 2, 2, "not a plain decimal number"},
		{"thousands", "id;trailer.tare [kg]", "A;1.234.567", 2, 2, "not a plain decimal number"},
		{"comma in two ways", "id;trailer.tare [kg]", "A;1,500", 2, 2, "two ways"},
		{"comma in two ways, three digits", "id;trailer.tare [kg]", "A;123,456", 2, 2, "two ways"},
		{"point in two ways", "id\ttrailer.tare [t]", "A\t1.500", 2, 2, "two ways"},
		{"too large", "id,trailer.tare [t]", "A,101", 2, 2, ""},
		{"bool", "id,use.commercial", "A,1", 2, 2, "true or false"},
		{"day", "id,trailer.built", "A,01/06/2024", 2, 2, "not a day"},
		{"whole number", "id,trailer.axle_count", "A,2.0", 2, 2, "whole number"},
		{"word", "id,trailer.hitch", "A,bolt", 2, 2, "permitted words"},
		{"word of a list", "id,trailer.approvals", "A,un-r13|x", 2, 2, "permitted words"},
		{"empty entry", "id,vehicle.rated.axles [kg]", "A,1450|", 2, 2, "empty"},
		{"part", "id,chain.count", "A,101", 2, 2, "out of range"},
		{"item", "id,trailer.items.3.mass", "A,12", 2, 2, "unit"},
		{"contradiction", "id,trailer.rated.total [kg],trailer.rated.axles [kg]", "A,2000,2200", 2, 3, "contradicts"},
		{"too few", "id,trailer.tare [kg]", "A", 2, 1, "1 cells under 2"},
		{"too many", "id,trailer.tare [kg]", "A,1,2", 2, 3, "3 cells under 2"},
		{"quote within", "id,driver.licence", "A,5\" pipe", 2, 2, "quote"},
		{"text after quote", "id,driver.licence", "A,\"x\"y", 2, 2, "closing quote"},
		{"carriage return after quote", "id,driver.licence", "A,\"x\"\ry", 2, 2, "closing quote"},
		{"NUL", "id,driver.licence", "A,a\x00b", 2, 2, "NUL"},
		{"Latin-1", "id,driver.licence", "A,caf\xe9", 2, 2, "UTF-8"},
		{"lone return", "id,driver.licence", "A,a\rb", 2, 2, "carriage return"},
		{"control", "id,driver.licence", "A,a\x07b", 2, 2, "control"},
		{"long cell", "id,trailer.tare [kg]", "A," + long, 2, 2, "longer than"},
		{"long blank cell", "id,trailer.tare [kg]", "," + strings.Repeat(" ", MaxCell+1), 2, 2, "longer than"},
		{"long row", "id,trailer.tare [kg]", "A," + strings.Repeat("9", 3*MaxRow), 2, 0, "the row is longer"},
		{"long text", "id,driver.licence", "A," + strings.Repeat("é", 65), 2, 2, "too long"},
		{"long id", "trailer.tare [kg],id", "1," + strings.Repeat("é", 65), 2, 2, "too long"},
	} {
		t.Run(test.name, func(t *testing.T) {
			sep := strings.IndexAny(test.head, ",;\t")
			cells := strings.Count(test.head, test.head[sep:sep+1])
			next := "next" + strings.Repeat(test.head[sep:sep+1], cells)
			if strings.HasSuffix(test.head, ",id") {
				next = ",next"
			}
			rows := readTable(t, test.head+"\n"+test.row+"\n\n"+next+"\n", Options{})
			if len(rows) != 2 || len(rows[0].Faults) == 0 || rows[0].Rig != nil || document(rows[0]) != nil {
				t.Fatalf("%+v", rows)
			}
			if rows[1].ID != "next" || rows[1].Line != 4 || len(rows[1].Faults) > 0 || rows[1].Rig == nil {
				t.Errorf("the next row: %+v", rows[1])
			}
			if !slices.ContainsFunc(rows[0].Faults, func(f Fault) bool {
				return f.Line == test.line && f.Column == test.column && strings.Contains(f.Message, test.says) && f.Advice != "" && (f.Column == 0 || f.Column > cells+1) == (f.Name == "")
			}) {
				t.Errorf("%+v", rows[0].Faults)
			}
		})
	}
}

func TestDecimalSignCanBeTold(t *testing.T) {
	for _, test := range []struct {
		sign       byte
		cell, want string
	}{{',', "1,500", `{"trailer":{"tare":"1.5 t"}}`}, {'.', "1.500", `{"trailer":{"tare":"1.5 t"}}`}, {',', "1.500", ""}, {'.', "1,500", ""}, {0, "1,5", `{"trailer":{"tare":"1.5 t"}}`}} {
		rows := readTable(t, "id;trailer.tare [t]\nA;"+test.cell+"\n", Options{Decimal: test.sign})
		if string(document(rows[0])) != test.want {
			t.Errorf("%q %s: %s %v", test.sign, test.cell, document(rows[0]), rows[0].Faults)
		}
	}
	if _, err := NewCSV(strings.NewReader("id,trailer.tare [t]\n"), Options{Decimal: ','}); err == nil {
		t.Error("a comma was both")
	}
}

// No more of a row is kept than may be, however it is cut into cells, and what
// is not kept is told even if the rest is blank.
func TestLongRowOfShortCells(t *testing.T) {
	const n = 60
	for _, fill := range []string{" ", "x"} {
		text := "id" + strings.Repeat(",# x", n) + "\n" + strings.Repeat(strings.Repeat(fill, 2000)+",", n) + "\nA" + strings.Repeat(",", n) + "\n"
		rows := readTable(t, text, Options{})
		if len(rows) != 2 || len(rows[0].Faults) == 0 || !strings.Contains(rows[0].Faults[0].Message, "the row is longer") || rows[1].ID != "A" {
			t.Errorf("%d rows, %v", len(rows), rows[0].Faults)
		}
		s := &splitter{
			src: bufio.NewReader(strings.NewReader(strings.Repeat(strings.Repeat(fill, 2000)+",", n))), delim: ',', line: 1, width: n + 1,
			skip: func(int) bool { return false }, fault: func(f Fault) { t.Error(f) }, told: map[string]bool{},
		}
		if err := s.row(); err != nil || len(s.text) > MaxRow || s.n != n+1 {
			t.Errorf("%d bytes are kept: %v", len(s.text), err)
		}
	}
}

func TestOpenQuote(t *testing.T) {
	rows := readTable(t, "id,driver.licence\nA,x\nB,\"y\nC,z\nD,z\n", Options{})
	if len(rows) != 2 || rows[0].ID != "A" || rows[1].Line != 3 {
		t.Fatalf("%+v", rows)
	}
	f := rows[1].Faults[0]
	if f.Line != 3 || f.Column != 2 || !strings.Contains(f.Message, "never closed") {
		t.Errorf("%+v", rows[1].Faults)
	}
}

func TestCutFile(t *testing.T) {
	rows := readTable(t, "id,trailer.tare [kg],trailer.built\nA,1300,2024-06-01\nB,13", Options{})
	if len(rows) != 2 || rows[1].Line != 3 || !strings.Contains(fmt.Sprint(rows[1].Faults), "the file ends within the row") {
		t.Errorf("%+v", rows)
	}
	gone := errors.New("the line is dead")
	for name, open := range map[string]func(io.Reader) (*Reader, error){
		"csv":    func(r io.Reader) (*Reader, error) { return NewCSV(r, Options{}) },
		"ndjson": NewNDJSON,
	} {
		text := map[string]string{"csv": "id,trailer.tare [kg]\nA,1\nB,2", "ndjson": "{}\n{}\n{"}[name]
		r, err := open(io.MultiReader(strings.NewReader(text), iotest.ErrReader(gone)))
		if err != nil {
			t.Fatal(err)
		}
		for range 5 {
			var row Row
			if row, err = r.Next(); err != nil {
				break
			}
			if len(row.Faults) > 0 {
				t.Errorf("%s: %v", name, row.Faults)
			}
		}
		if !errors.Is(err, gone) || !strings.Contains(err.Error(), "line 3") {
			t.Errorf("%s: %v", name, err)
		}
		if _, again := r.Next(); again != err {
			t.Errorf("%s goes on after %v", name, err)
		}
	}
}

func TestBadFiles(t *testing.T) {
	for _, test := range []struct {
		name, text, place string
		column            int
		says              string
	}{
		{"nothing", "", "", 0, "no header"},
		{"blank", " \n", "", 0, "no header"},
		{"UTF-16 LE", "\xff\xfei\x00d\x00", "", 0, "UTF-16"},
		{"UTF-16 BE", "\xfe\xff\x00i\x00d", "", 0, "UTF-16"},
		{"UTF-16 no mark", "i\x00d\x00", "", 0, "UTF-16"},
		{"Latin-1", "id,pr\xe9nom\n", "", 0, "not UTF-8"},
		{"workbook", "PK\x03\x04....", "", 0, "workbook"},
		{"compressed", "\x1f\x8b\x08", "", 0, "compressed"},
		{"NUL", "id,trailer\x00\n", "", 0, "control"},
		{"old line breaks", "id,trailer.tare\rA,1 kg\r", "", 0, "carriage return"},
		{"two delimiters", "id,trailer.tare;vehicle.id\n", "", 0, "two ways"},
		{"open quote", "id,\"trailer.tare\nA,1\n", "", 2, "never closed"},
		{"too long", strings.Repeat("x", MaxRow+1), "", 0, "too long"},
		{"too many columns", strings.Repeat("# x,", MaxColumns) + "id\n", "", 0, "too many columns"},
		{"unknown", "id,trailer.tara\n", "", 2, "no such column"},
		{"derived", "id,trailer.laden.load\n", "", 2, "worked out"},
		{"no name", "id,\n", "", 2, "no name"},
		{"same twice", "trailer.rated.axles,id,GTM\n", "", 3, "column 1 (trailer.rated.axles)"},
		{"same part twice", "chain.count,chain.1.count\n", "", 2, "column 1"},
		{"part number in another way", "chain.02.count\n", "", 1, "no such column"},
		{"wrong unit", "trailer.tare [m]\n", "", 1, "no unit of mass"},
		{"unit of a word", "trailer.hitch [kg]\n", "", 1, "no unit"},
		{"unit not closed", "trailer.tare [kg\n", "", 1, "not closed"},
		{"two meanings", "GVWR [lb]\n", "", 1, "trailer.rated.total or vehicle.rated.total"},
		{"two meanings in the place", "MAM [kg]\n", "GB", 1, "trailer.rated.total or vehicle.rated.total"},
		{"not a term of the place", "GTM [kg]\n", "GB", 1, "not known for GB"},
		{"nothing read", "# a,# b\n", "", 0, "no column"},
	} {
		t.Run(test.name, func(t *testing.T) {
			_, err := NewCSV(strings.NewReader(test.text), Options{Place: test.place})
			var b *Bad
			if !errors.As(err, &b) || len(b.Faults) == 0 {
				t.Fatal(err)
			}
			if f := b.Faults[0]; f.Line != 1 || f.Column != test.column || !strings.Contains(f.Message, test.says) || f.Advice == "" {
				t.Errorf("%+v", f)
			}
		})
	}
	for name, want := range map[string]string{"trailer.tara": "trailer.tare", "Trailer Tara": "trailer tare", "chian.count": "chain.count", "GTN": "GTM", "kerbside wieght": "kerbside weight"} {
		if got := closest(name, nil); got != want {
			t.Errorf("%s is near %q", name, got)
		}
	}
	if got := closest("colour of the hat", nil); got != "" {
		t.Errorf("suggested %q", got)
	}
}

func TestPlaceDecidesTerms(t *testing.T) {
	r, err := NewCSV(strings.NewReader("GVM [kg],gtm,Tow Ball Mass,# x\n"), Options{Place: "AU-NSW"})
	if err != nil {
		t.Fatal(err)
	}
	want := []Heading{{1, "GVM [kg]", "vehicle.rated.total", "kg"}, {2, "gtm", "trailer.rated.axles", ""}, {3, "Tow Ball Mass", "trailer.laden.ball", ""}, {4, "# x", "", ""}}
	if got := r.Headings(); !slices.Equal(got, want) {
		t.Errorf("%+v", got)
	}
}

// Every term said to be the library's is what the law of the place calls the
// fact, and every other place of the library that calls another fact by a bare
// term of ours makes it one of two meanings there.
func TestTermsAreTheLibrarys(t *testing.T) {
	fs, err := library.Files()
	if err != nil {
		t.Fatal(err)
	}
	rulesets, err := library.Compile(fs)
	if err != nil {
		t.Fatal(err)
	}
	book, err := rules.NewBook(rulesets)
	if err != nil {
		t.Fatal(err)
	}
	for _, a := range aliases {
		if _, ok := slotOf(a.path); !ok {
			t.Errorf("%s: no fact %s", a.term, a.path)
		}
		if a.how != "library" {
			continue
		}
		j, ok := book.Jurisdiction(a.place)
		if term := j.Terms[a.path]; !ok || !strings.Contains(plain(term), plain(a.term)) {
			t.Errorf("%s calls %s %q, not %q", a.place, a.path, term, a.term)
		}
	}
	for _, j := range book.Jurisdictions() {
		for path, term := range j.Terms {
			f, _ := rig.Lookup(path)
			for _, a := range aliases {
				if paths, _ := meanings(a.term, j.Code); plain(a.term) == plain(term) && !f.Derived() && len(paths) == 1 && paths[0] != path {
					t.Errorf("in %s %q means %s, and is read as %s", j.Code, term, path, paths[0])
				}
			}
		}
	}
}

func TestPartMembersAreThoseOfARig(t *testing.T) {
	names := []string{"role"}
	for _, m := range partMembers {
		names = append(names, m.name)
	}
	if !slices.Equal(names, rig.PartFields) {
		t.Errorf("%v", names)
	}
}

func TestColumnsAreRead(t *testing.T) {
	seen := map[string]bool{}
	for _, c := range Columns() {
		for _, role := range rig.PartRoles {
			name := strings.NewReplacer("<part>", role, "<n>", "7").Replace(c.Name)
			s, ok := slotOf(name)
			if !ok || s.path != name {
				t.Errorf("%s is not read", name)
			}
			seen[name] = true
		}
		for _, a := range c.Aliases {
			term, place, _ := strings.Cut(strings.TrimSuffix(a, ")"), " (")
			if paths, _ := meanings(term, place); !slices.Equal(paths, []string{c.Name}) {
				t.Errorf("%s is read as %v, not %s", a, paths, c.Name)
			}
		}
		if c.Meaning == "" || c.Units != "" && !strings.Contains(c.Units, "kg") && c.Units == c.Meaning {
			t.Errorf("%+v", c)
		}
	}
	for _, f := range rig.Fields() {
		if seen[f.Path] == f.Derived() {
			t.Errorf("%s: documented is %v", f.Path, seen[f.Path])
		}
	}
}

func TestTemplateIsRead(t *testing.T) {
	for _, places := range [][]string{nil, {"AU-NSW"}, {"GB"}, {"US-CA"}, {"AU-VIC", "AU-QLD"}, {"DE"}, {"AU", "NZ", "DE"}} {
		text, err := Template(places...)
		if err != nil {
			t.Fatal(err)
		}
		if strings.Contains(text, "GTM") != (len(places) > 0 && strings.HasPrefix(places[0], "AU") && !slices.Contains(places, "NZ")) {
			t.Errorf("%v: %s", places, text)
		}
		for _, o := range append(slices.Clone(places), "") {
			rows := readTable(t, text, Options{Place: o})
			if len(rows) != max(1, len(places)) {
				t.Fatalf("%v: %d rows", places, len(rows))
			}
			for i, row := range rows {
				if row.ID != "TV-07" || len(row.Faults) > 0 || len(places) > 0 && row.Rig.Jurisdiction != places[i] {
					t.Errorf("%v: %+v", places, row)
				}
				if got := row.Rig.Text(rig.Must("trailer.rated.axles")); got != "1850 kg" {
					t.Errorf("%v: %s", places, got)
				}
			}
		}
	}
	if _, err := Template("Tarn Valley"); err == nil {
		t.Error("that is no code")
	}
}

func TestNDJSON(t *testing.T) {
	text := bom + `{"jurisdiction": "AU-NSW", "trailer": {"tare": "1300.0 kg"}}` + "\r\n\n" +
		`{"rig": {"parts": [{"role": "chain", "count": 2}, {"role": "ball"}, {"role": "chain", "count": 1}]}, "id": "TV-07", "vehicle_id": "U", "trailer_id": "M"}` + "\n" +
		`{"id": "B", "rig": {"trailer": {"tara": "1 kg"}}}` + "\n" +
		`{"id": "C", "id": "D", "rig": {}}` + "\n" +
		`{"id": "E", "rig": {}, "rig": {}}` + "\n" +
		`{"rig": {}, "trailer": {}}` + "\n" +
		`{"id": 7, "rig": {}}` + "\n" +
		`{"id": null, "rig": {}}` + "\n" +
		`{"id": "F"}` + "\n" +
		`[]` + "\n" +
		"{\"driver\": {\"licence\": \"\xe9\"}}\n" +
		strings.Repeat(" ", 3*MaxRow) + "{}\n" +
		`{"rig": {"trailer": {"tare": "13`
	r, err := NewNDJSON(strings.NewReader(text))
	if err != nil {
		t.Fatal(err)
	}
	rows := readAll(t, r)
	want := []struct {
		line              int
		id, doc, ptr, say string
	}{
		{1, "", `{"jurisdiction":"AU-NSW","trailer":{"tare":"1300 kg"}}`, "", ""},
		{3, "TV-07", `{"parts":[{"count":2,"role":"chain"},{"role":"ball"},{"role":"chain"}]}`, "", ""},
		{4, "B", "", "/rig/trailer/tara", "no such field"},
		{5, "D", "", "/id", "twice"},
		{6, "E", "", "/rig", "twice"},
		{7, "", "", "/trailer", "beside a rig"},
		{8, "", "", "/id", "text"},
		{9, "", "", "/id", "text"},
		{10, "", "", "/id", "no such field"},
		{11, "", "", "", "object"},
		{12, "", "", "", "UTF-8"},
		{13, "", "", "", "longer"},
		{14, "", "", "", "not a JSON document"},
	}
	if len(rows) != len(want) {
		t.Fatalf("%d rows", len(rows))
	}
	for i, w := range want {
		row := rows[i]
		if row.Line != w.line || string(document(row)) != w.doc || (w.doc == "") == (row.Faults == nil) || row.ID != w.id {
			t.Errorf("%+v", row)
		}
		if w.say != "" && (row.Faults[0].Pointer != w.ptr || !strings.Contains(row.Faults[0].Message, w.say) || row.Faults[0].Line != w.line) {
			t.Errorf("%+v", row.Faults)
		}
	}
	if advice := rows[12].Faults[0].Advice; !strings.Contains(advice, "send it whole") {
		t.Error(advice)
	}
	if _, err := NewNDJSON(strings.NewReader("\xff\xfe{\x00")); err == nil {
		t.Error("UTF-16 was taken")
	}
	// The longest line that may be, and one byte more.
	for _, test := range []struct {
		n   int
		end string
		ok  bool
	}{{MaxRow, "\r\n", true}, {MaxRow, "", true}, {MaxRow + 1, "\n", false}, {MaxRow + 1, "", false}} {
		r, err := NewNDJSON(strings.NewReader("{" + strings.Repeat(" ", test.n-2) + "}" + test.end))
		if err != nil {
			t.Fatal(err)
		}
		if rows := readAll(t, r); len(rows) != 1 || (rows[0].Faults == nil) != test.ok {
			t.Errorf("%d bytes: %+v", test.n, rows[0].Faults)
		}
	}
}

func TestWriterRefuses(t *testing.T) {
	row := func(doc string) Row {
		r, err := rig.Decode([]byte(doc))
		if err != nil {
			t.Fatal(err)
		}
		return Row{Line: 3, Rig: r}
	}
	for _, test := range []struct{ doc, columns, says string }{
		{`{"trailer": {"tare": "1 kg"}}`, "id", "no column trailer.tare"},
		{`{"trailer": {"tare": "1 kg"}}`, "trailer.tare [lb]", "no exact number"},
		{`{}`, "id", "empty row"},
		{`{"driver": {"licence": " "}}`, "driver.licence", "unknown"},
		{`{"trailer": {"items": [{}]}}`, "trailer.items.1.name", "unknown"},
		{`{"parts": [{"role": "chain", "rated_mass": "1 kg", "count": 2}]}`, "chain.rated_mass", "no column chain.count"},
	} {
		var out strings.Builder
		w, err := NewWriter(&out, []string{test.columns})
		if err != nil {
			t.Fatal(err)
		}
		if err := w.Write(row(test.doc)); err == nil || !strings.Contains(err.Error(), test.says) {
			t.Errorf("%s: %v", test.doc, err)
		}
	}
	var b *Bad
	for _, columns := range [][]string{{"nothing"}, slices.Repeat([]string{"# x"}, MaxColumns+1)} {
		if _, err := NewWriter(io.Discard, columns); !errors.As(err, &b) {
			t.Error(err)
		}
	}
}
