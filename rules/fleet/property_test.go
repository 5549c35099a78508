package fleet

import (
	"bufio"
	"bytes"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"strings"
	"testing"
	"unicode/utf8"

	"pgregory.net/rapid"

	"drawgear/rules/fleet/longfile"
	"drawgear/rules/quantity"
	"drawgear/rules/rig"
)

// drawDocument draws a rig document of facts that cannot contradict each
// other, as a table can hold it: parts in order of their roles.
func drawDocument(t *rapid.T) map[string]any {
	tree := map[string]any{}
	text := rapid.StringMatching(`[A-Za-z=+@'"|,; é\-]{0,20}[a-z'"]`)
	amount := func(dim quantity.Dimension, name string) string {
		u := rapid.SampledFrom(dim.Units()).Draw(t, name+" unit")
		if u.Symbol() == "lbf" { // held in whole numbers only
			return fmt.Sprintf("%d lbf", rapid.IntRange(1, 9000).Draw(t, name))
		}
		return fmt.Sprintf("%d.%03d %s", rapid.IntRange(1, 9).Draw(t, name), rapid.IntRange(0, 999).Draw(t, name+" rest"), u)
	}
	give := func(name string) bool { return rapid.IntRange(0, 3).Draw(t, "give "+name) == 0 }
	bounded := map[string]bool{ // facts held against others
		"trailer.brakes.axle_positions": true, "trailer.brakes.braked_axles": true, "trailer.axle_count": true, "vehicle.built": true,
		"trailer.built": true, "trailer.brakes.kind": true, "trailer.body.starts": true, "trailer.body.ends": true, "vehicle.towing.maker_rating": true,
	}
	for _, f := range rig.Fields() {
		if f.Derived() || bounded[f.Path] || !give(f.Path) {
			continue
		}
		var v any
		switch f.Kind {
		case rig.KindQuantity:
			if f.Dim == quantity.Mass {
				continue // below
			}
			v = amount(f.Dim, f.Path)
		case rig.KindBool:
			v = rapid.Bool().Draw(t, f.Path)
		case rig.KindCount:
			v = rapid.IntRange(0, 100).Draw(t, f.Path)
		case rig.KindWord:
			v = rapid.SampledFrom(f.Words).Draw(t, f.Path)
		case rig.KindText:
			v = text.Draw(t, f.Path)
		case rig.KindDate:
			v = rapid.SampledFrom([]string{"1999-12-31", "2024-02-29"}).Draw(t, f.Path)
		case rig.KindWords:
			words := []any{}
			for range rapid.IntRange(0, 3).Draw(t, f.Path) {
				words = append(words, rapid.SampledFrom(f.Words).Draw(t, f.Path))
			}
			v = words
		case rig.KindMasses:
			if f.Path == "vehicle.laden.axles" {
				continue
			}
			v = []any{amount(f.Dim, f.Path), amount(f.Dim, f.Path)}
		}
		set(tree, strings.Split(f.Path, "."), v)
	}
	// Some masses that cannot contradict each other.
	for _, path := range []string{"vehicle.towing.braked", "vehicle.towing.unbraked", "vehicle.towing.ball", "trailer.registered_total", "trailer.laden.axles", "vehicle.rated.combination"} {
		if give(path) {
			set(tree, strings.Split(path, "."), amount(quantity.Mass, path))
		}
	}
	if n := rapid.IntRange(0, 6).Draw(t, "axles"); n > 0 {
		positions := []any{}
		for i := range rapid.IntRange(0, n).Draw(t, "braked") {
			positions = append(positions, n-i)
		}
		set(tree, []string{"trailer", "axle_count"}, n)
		set(tree, []string{"trailer", "brakes", "axle_positions"}, positions)
	}
	var list []any
	for _, role := range rig.PartRoles {
		for range max(0, rapid.IntRange(-4, 2).Draw(t, role)) {
			p := map[string]any{"role": role}
			for _, m := range partMembers {
				if !give(role+m.name) || m.name == "breaking_force" {
					continue
				}
				switch m.kind {
				case rig.KindQuantity:
					p[m.name] = amount(m.dim, m.name)
				case rig.KindText:
					p[m.name] = text.Draw(t, m.name)
				case rig.KindWord:
					p[m.name] = rapid.SampledFrom(rig.PlaceWords).Draw(t, m.name)
				default:
					p[m.name] = rapid.IntRange(0, 9).Draw(t, m.name)
				}
			}
			list = append(list, p)
		}
	}
	if list != nil {
		tree["parts"] = list
	}
	for _, side := range sides {
		var items []any
		for range max(0, rapid.IntRange(-2, 2).Draw(t, side.name)) {
			items = append(items, map[string]any{"name": text.Draw(t, "name"), side.place: amount(quantity.Length, "place")})
		}
		if items != nil {
			set(tree, []string{side.name, "items"}, items)
		}
	}
	if give("jurisdiction") {
		tree["jurisdiction"] = "AU-NSW"
	}
	return tree
}

func write(t interface{ Fatal(...any) }, columns []string, rows []Row) string {
	var out strings.Builder
	w, err := NewWriter(&out, columns)
	if err != nil {
		t.Fatal(err)
	}
	for _, row := range rows {
		if err := w.Write(row); err != nil {
			t.Fatal(err)
		}
	}
	if err := w.Flush(); err != nil {
		t.Fatal(err)
	}
	return out.String()
}

// Rigs written as a table and read back are the same rigs, and so again with
// the columns of what was read.
func TestRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var rows []Row
		for i := range rapid.IntRange(1, 3).Draw(t, "rows") {
			tree := drawDocument(t)
			r, err := rig.FromTree(tree)
			if err != nil {
				t.Fatalf("%v is refused: %v", tree, err)
			}
			rows = append(rows, Row{ID: fmt.Sprint("=", i), Rig: r})
		}
		columns := ColumnsOf(rows...)
		for range 2 {
			text := write(t, columns, rows)
			r, err := NewCSV(iotestChunks(t, text), Options{})
			if err != nil {
				t.Fatalf("%s: %v", text, err)
			}
			var back []Row
			for {
				row, err := r.Next()
				if err == io.EOF {
					break
				}
				if err != nil {
					t.Fatal(err)
				}
				back = append(back, row)
			}
			if len(back) != len(rows) {
				t.Fatalf("%d rows of %d", len(back), len(rows))
			}
			for i := range rows {
				if back[i].ID != rows[i].ID || !bytes.Equal(document(back[i]), document(rows[i])) {
					t.Fatalf("%s\ngot  %s %v\nwant %s", text, document(back[i]), back[i].Faults, document(rows[i]))
				}
			}
			rows, columns = back, nil
			for _, h := range r.Headings() {
				columns = append(columns, h.Header())
			}
		}
		// The document says what the rig says.
		for _, row := range rows {
			again, err := rig.Decode(document(row))
			if err != nil || !bytes.Equal(Document(again), document(row)) {
				t.Fatalf("%s: %v", document(row), err)
			}
			for _, f := range rig.Fields() {
				if again.Text(f.ID) != row.Rig.Text(f.ID) {
					t.Fatalf("%s is %s and %s", f.Path, again.Text(f.ID), row.Rig.Text(f.ID))
				}
			}
		}
	})
}

// iotestChunks hands a text on in pieces of a drawn length.
func iotestChunks(t *rapid.T, text string) io.Reader {
	n := rapid.IntRange(1, 50).Draw(t, "chunk")
	var rs []io.Reader
	for len(text) > 0 {
		k := min(n, len(text))
		rs = append(rs, strings.NewReader(text[:k]))
		text = text[k:]
	}
	return io.MultiReader(rs...)
}

func TestMemoryDoesNotGrow(t *testing.T) {
	size := int64(200 << 20)
	if testing.Short() {
		size = 16 << 20
	}
	row := "TV-07,AU-NSW," + strings.Repeat("x", 60) + ",1300," + strings.Repeat("n", 3000) + "\n"
	csv := func(r io.Reader) (*Reader, error) { return NewCSV(r, Options{}) }
	for _, test := range []struct {
		name, head, piece string
		size              int64
		open              func(io.Reader) (*Reader, error)
		rows, most        int64 // rows with and without faults, at least and at most
	}{
		{"rows", "id,jurisdiction,driver.licence,trailer.tare [kg],# notes\n", row, size, csv, size / int64(len(row)), size/int64(len(row)) + 1},
		{"one cell", "id,jurisdiction\nA,", "x", size, csv, 1, 1},
		{"one quoted cell", "id,jurisdiction\nA,\"", "x\n", size, csv, 1, 1},
		{"one cell passed over", "id,# notes\nA,\"", "x\n", size, csv, 1, 1},
		{"cells of one row", "id,jurisdiction\nA,", ",", size, csv, 1, 1},
		{"quotes", "id,jurisdiction\nA,", "\"", size, csv, 1, 1},
		{"faults of one row", "id,jurisdiction\nA,", "\"x\"\"y\"z,\r", size, csv, 1, 1},
		{"blank lines", "id\n", "\n", size, csv, 0, 0},
		{"a line of JSON", "{\"a\": \"", "x", size, NewNDJSON, 1, 1},
		{"blank lines of JSON", "", "\r\n", size, NewNDJSON, 0, 0},
		{"nested JSON", "", strings.Repeat("[", 60000) + "\n", size / 16, NewNDJSON, 1, size},
	} {
		t.Run(test.name, func(t *testing.T) {
			before := longfile.InUse()
			file := &longfile.File{Head: test.head, Piece: test.piece, Left: test.size}
			r, err := test.open(file)
			if err != nil {
				t.Fatal(err)
			}
			n := int64(0)
			for {
				row, err := r.Next()
				if err == io.EOF {
					break
				}
				if err != nil {
					t.Fatal(err)
				}
				if len(row.Faults) > maxFaults {
					t.Fatalf("%d faults", len(row.Faults))
				}
				n++
			}
			if n < test.rows || n > test.most {
				t.Errorf("%d rows", n)
			}
			if grown := int64(file.Most) - int64(before); grown > 8<<20 {
				t.Errorf("the heap grew by %d bytes", grown)
			}
		})
	}
}

// check holds what was read of any file to what is promised of it.
func check(t *testing.T, data []byte, r *Reader, err error) {
	if err != nil {
		var b *Bad
		if !errors.As(err, &b) || len(b.Faults) == 0 || len(b.Faults) > maxFaults {
			t.Fatalf("%T %v", err, err)
		}
		shown(t, b.Faults)
		return
	}
	lines, last := bytes.Count(data, []byte("\n"))+1, 0
	for {
		row, err := r.Next()
		if err == io.EOF {
			break
		}
		if err != nil {
			t.Fatal(err)
		}
		if row.Line <= last || row.Line > lines {
			t.Fatalf("line %d after %d of %d", row.Line, last, lines)
		}
		last = row.Line
		if (row.Rig == nil) != (len(row.Faults) > 0) || (row.Rig == nil) != (document(row) == nil) || len(row.Faults) > maxFaults {
			t.Fatalf("%+v", row)
		}
		shown(t, row.Faults)
		if row.Rig == nil {
			continue
		}
		again, err := rig.Decode(document(row))
		if err != nil || !bytes.Equal(Document(again), document(row)) {
			t.Fatalf("%s: %v", document(row), err)
		}
		// What can be written is read back alike.
		var out bytes.Buffer
		columns := ColumnsOf(row)
		if len(columns) == 0 || len(columns) > MaxColumns {
			continue
		}
		w, err := NewWriter(&out, columns)
		if err != nil {
			t.Fatal(err)
		}
		if w.Write(row) != nil || w.Flush() != nil {
			continue
		}
		back, err := NewCSV(&out, Options{})
		if err != nil {
			t.Fatal(err)
		}
		one, err := back.Next()
		if err != nil || len(one.Faults) > 0 {
			t.Fatalf("%s: %v %v", document(row), err, one.Faults)
		}
		if len(row.Rig.Parts) < 2 && !bytes.Equal(document(one), document(row)) {
			t.Fatalf("%s came back as %s", document(row), document(one))
		}
	}
}

func shown(t *testing.T, faults []Fault) {
	for _, f := range faults {
		if f.Line < 1 || f.Message == "" || f.Advice == "" || !utf8.ValidString(f.String()+f.Advice+f.Pointer) {
			t.Fatalf("%+q cannot be shown", f)
		}
	}
}

func FuzzCSV(f *testing.F) {
	template, err := Template("AU-NSW")
	if err != nil {
		f.Fatal(err)
	}
	for _, seed := range []string{
		template, bom + "id\nA\n", "id;trailer.tare [t]\nA;1,5\nB;1.500\n", "id\ttrailer.tare\nA\t\"1 kg\"\n", "id,driver.licence\nA,\"x\"\"y\nz\"\nB,\"\n",
		"\xff\xfei\x00", "id,# n\n'=1,\"\x00\"\n'',x\n", "chain.2.count,ball.size [mm]\n1,\n,50\n", "trailer.items.2.name,vehicle.items.1.mass [kg]\nx,1\n", "id\n\xe9\r\n\r\n,\n",
		"trailer.approvals,vehicle.rated.axles [lb]\n[],1|2\nun-r13|un-r13,\n",
	} {
		f.Add([]byte(seed), "", byte(0))
		f.Add([]byte(seed), "AU-NSW", byte(','))
	}
	f.Fuzz(func(t *testing.T, data []byte, place string, sign byte) {
		if !utf8.ValidString(place) {
			return
		}
		r, err := NewCSV(bytes.NewReader(data), Options{Place: place, Decimal: sign})
		check(t, data, r, err)
	})
}

func FuzzNDJSON(f *testing.F) {
	for _, seed := range []string{
		"{}\n", bom + `{"id": "A", "rig": {"trailer": {"tare": "1.50 kg"}}}`, `{"rig": {}, "rig": 1}`, `{"rig": {`, "[\n]\n\n{}", `{"id": "\u0000", "rig": null}`,
		`{"parts": [{"role": "chain", "count": 0}, {"role": "ball"}]}`, `{"driver": {"licence": ""}, "trailer": {"items": [{}]}}`, "{\"rig\": \"\xff\"}", `{"~/": 1, "rig": {}}`,
	} {
		f.Add([]byte(seed))
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		r, err := NewNDJSON(bytes.NewReader(data))
		check(t, data, r, err)
	})
}

func benchmark(b *testing.B, text func(rows int) string, open func(io.Reader) (*Reader, error)) {
	const n = 1000
	data := text(n)
	b.SetBytes(int64(len(data)))
	b.ReportAllocs()
	for b.Loop() {
		r, err := open(strings.NewReader(data))
		if err != nil {
			b.Fatal(err)
		}
		if rows := readAll(b, r); len(rows) != n || len(rows[0].Faults) > 0 {
			b.Fatal(len(rows), rows[0].Faults)
		}
	}
	b.ReportMetric(float64(n)*float64(b.N)/b.Elapsed().Seconds(), "rows/s")
}

func BenchmarkCSV(b *testing.B) {
	benchmark(b, func(n int) string {
		text, err := Template("AU-NSW")
		if err != nil {
			b.Fatal(err)
		}
		head, row, _ := strings.Cut(text, "\r\n")
		return head + "\r\n" + strings.Repeat(row, n)
	}, func(r io.Reader) (*Reader, error) { return NewCSV(r, Options{}) })
}

func BenchmarkNDJSON(b *testing.B) {
	benchmark(b, func(n int) string {
		text, err := Template("AU-NSW")
		if err != nil {
			b.Fatal(err)
		}
		row := readTable(b, text, Options{})[0]
		return strings.Repeat(fmt.Sprintf("{\"id\": \"%s\", \"rig\": %s}\n", row.ID, document(row)), n)
	}, NewNDJSON)
}

// BenchmarkSplit is what the splitter alone costs.
func BenchmarkSplit(b *testing.B) {
	data := "id,# notes\n" + strings.Repeat("A,\"some notes, and some more of them\"\r\n", 20000)
	b.SetBytes(int64(len(data)))
	b.ReportAllocs()
	for b.Loop() {
		s := &splitter{src: bufio.NewReaderSize(strings.NewReader(data), MaxRow), line: 1, told: map[string]bool{}, fault: func(Fault) {}, width: 2, skip: func(int) bool { return false }, delim: ','}
		for s.row() == nil {
		}
	}
}

// Rows of random bytes do not shift the rows between them.
func TestRandomRowsDoNotSpread(t *testing.T) {
	rnd := rand.New(rand.NewPCG(1, 2))
	var text strings.Builder
	text.WriteString("id,driver.licence\n")
	const n = 2000
	for i := range n {
		for range rnd.IntN(40) {
			c := byte(rnd.IntN(256))
			if c == '"' || c == '\n' { // a quote may reach into other rows
				c = 'x'
			}
			text.WriteByte(c)
		}
		fmt.Fprintf(&text, "\ngood %d,x\n", i)
	}
	good := 0
	for _, row := range readTable(t, text.String(), Options{}) {
		if strings.HasPrefix(row.ID, "good ") {
			if row.ID != fmt.Sprint("good ", good) || row.Line != 3+2*good || row.Faults != nil {
				t.Fatalf("%+v", row)
			}
			good++
		}
	}
	if good != n {
		t.Errorf("%d of %d", good, n)
	}
}
