package fleet

import (
	"bytes"
	"errors"
	"io"
	"reflect"
	"strings"
	"testing"
	"testing/iotest"

	"pgregory.net/rapid"

	"drawgear/rules/fleet/longfile"
)

// pieces reads a file by its pieces, each on its own.
func pieces(t interface{ Fatal(...any) }, c *Cutter, rows, size int) ([]Row, error) {
	var out []Row
	head := c.Head()
	for {
		p, err := c.Next(rows, size)
		if err == io.EOF {
			return out, nil
		}
		if err != nil {
			return out, err
		}
		if p.Rows < 1 || p.Rows > rows {
			t.Fatal("a piece of", p.Rows, "rows of", rows)
		}
		r, err := NewPiece(head, p.Data)
		if err != nil {
			t.Fatal(err)
		}
		n := 0
		for {
			row, err := r.Next()
			if err == io.EOF {
				break
			}
			if err != nil {
				t.Fatal(err)
			}
			out = append(out, row)
			n++
		}
		if n != p.Rows {
			t.Fatal(n, "rows in a piece of", p.Rows)
		}
	}
}

// same holds the pieces of a file against the whole of it.
func same(t interface {
	Fatal(...any)
	Fatalf(string, ...any)
}, text []byte, rows, size int, whole func(io.Reader) (*Reader, error), cut func(io.Reader) (*Cutter, error),
) {
	r, err := whole(bytes.NewReader(text))
	c, cutErr := cut(bytes.NewReader(text))
	if err != nil || cutErr != nil {
		if !reflect.DeepEqual(err, cutErr) {
			t.Fatalf("%q: the whole %v, cut %v", text, err, cutErr)
		}
		return
	}
	if !reflect.DeepEqual(r.Headings(), c.Headings()) {
		t.Fatalf("%q: the columns differ", text)
	}
	var want []Row
	for {
		row, err := r.Next()
		if err == io.EOF {
			break
		}
		if err != nil {
			t.Fatal(err)
		}
		want = append(want, row)
	}
	got, err := pieces(t, c, rows, size)
	if err != nil {
		t.Fatal(err)
	}
	if len(got) != len(want) {
		t.Fatalf("%q: %d rows of %d", text, len(got), len(want))
	}
	for i := range want {
		a, b := want[i], got[i]
		if !reflect.DeepEqual(a, b) {
			t.Fatalf("%q:\nwhole %+v\npiece %+v", text, a, b)
		}
	}
}

func readCSV(o Options) func(io.Reader) (*Reader, error) {
	return func(r io.Reader) (*Reader, error) { return NewCSV(r, o) }
}

func cutCSV(o Options) func(io.Reader) (*Cutter, error) {
	return func(r io.Reader) (*Cutter, error) { return CutCSV(r, o) }
}

func TestPiecesAreTheWhole(t *testing.T) {
	cell := rapid.SampledFrom([]string{
		"", " ", "A", "=1", "1300", "1,5", "1.500", "-5", "x y", "é日", "\"a,b;c\td\"", "\"two\nlines\"", "\"two\r\nlines\"", "\"a \"\"quote\"\"\"", "5\" pipe", "\"x\"y",
		"\"", "a\rb", "a\x00b", "caf\xe9", "\x07", "AU-NSW", "GB", "true", "[]", strings.Repeat("9", MaxCell+1), strings.Repeat("é", 65), "<&>\u2028",
	})
	long := rapid.SampledFrom([]string{strings.Repeat("9", MaxRow+1), strings.Repeat(" ", 2*MaxRow), strings.Repeat("x,", MaxRow), "\"" + strings.Repeat("\n", MaxRow+3) + "\""})
	header := rapid.SampledFrom([]string{"id", "vehicle.id", "trailer.id", "jurisdiction", "trailer.tare [kg]", "trailer.rated.total [t]", "trailer.rated.axles", "driver.licence", "# notes", "chain.count", "use.commercial"})
	rapid.Check(t, func(t *rapid.T) {
		delim := rapid.SampledFrom([]string{",", ";", "\t"}).Draw(t, "delimiter")
		end := rapid.SampledFrom([]string{"\n", "\r\n"})
		columns := rapid.SliceOfNDistinct(header, 1, 6, rapid.ID).Draw(t, "columns")
		var text strings.Builder
		text.WriteString(strings.Join(columns, delim) + end.Draw(t, "end"))
		for range rapid.IntRange(0, 12).Draw(t, "rows") {
			n := len(columns)
			if rapid.IntRange(0, 9).Draw(t, "wrong") == 0 {
				n += rapid.SampledFrom([]int{-1, 1}).Draw(t, "by")
			}
			for i := range n {
				if i > 0 {
					text.WriteString(delim)
				}
				if rapid.IntRange(0, 60).Draw(t, "long") == 0 {
					text.WriteString(long.Draw(t, "cell"))
				} else {
					text.WriteString(cell.Draw(t, "cell"))
				}
			}
			text.WriteString(end.Draw(t, "end"))
		}
		whole := text.String()
		if rapid.Bool().Draw(t, "cut") {
			whole = whole[:rapid.IntRange(0, len(whole)).Draw(t, "at")]
		}
		o := Options{Decimal: rapid.SampledFrom([]byte{0, '.', ','}).Draw(t, "decimal")}
		rows, size := rapid.IntRange(1, 5).Draw(t, "piece"), rapid.SampledFrom([]int{1, 40, 1 << 20}).Draw(t, "size")
		same(t, []byte(whole), rows, size, readCSV(o), cutCSV(o))
	})
}

func TestPiecesOfNDJSON(t *testing.T) {
	line := rapid.SampledFrom([]string{
		"", " ", "{}", `{"jurisdiction": "GB"}`, `{"id": "A", "rig": {"trailer": {"tare": "1.5 t"}}}`, `{"rig": {}, "id": 1}`, `{"rig": {`, "x", "\xff", `{"id": "a b!c", "vehicle_id": "é", "rig": {}}`,
		`{"trailer": {"tare": 5}}`, `{"rig": {}} {}`, strings.Repeat("[", 100), strings.Repeat(" ", MaxRow+5), `{"` + strings.Repeat("x", MaxRow) + `": 1}`, "!", "12!{}",
	})
	rapid.Check(t, func(t *rapid.T) {
		var text strings.Builder
		for range rapid.IntRange(0, 12).Draw(t, "lines") {
			text.WriteString(line.Draw(t, "line") + rapid.SampledFrom([]string{"\n", "\r\n"}).Draw(t, "end"))
		}
		whole := text.String()
		if rapid.Bool().Draw(t, "cut") {
			whole = whole[:rapid.IntRange(0, len(whole)).Draw(t, "at")]
		}
		same(t, []byte(whole), rapid.IntRange(1, 5).Draw(t, "piece"), rapid.SampledFrom([]int{1, 40, 1 << 20}).Draw(t, "size"), NewNDJSON, CutNDJSON)
	})
}

// A piece is no longer than it may be and one row more, and a row is no longer
// in it than MaxRow in the letters of JSON, six bytes for one at most.
func TestPiecesAreSmall(t *testing.T) {
	const size = 1000
	for _, row := range []string{strings.Repeat("x", 10<<20), strings.Repeat("\x07", MaxCell), "\"" + strings.Repeat("\n", 1<<20) + "\"", "A"} {
		c, err := CutCSV(strings.NewReader("id,driver.licence\n"+strings.Repeat("B,"+row+"\n", 20)), Options{})
		if err != nil {
			t.Fatal(err)
		}
		for {
			p, err := c.Next(1000, size)
			if err == io.EOF {
				break
			}
			if err != nil {
				t.Fatal(err)
			}
			if len(p.Data) > size+6*MaxRow {
				t.Errorf("%d bytes of %.10q", len(p.Data), row)
			}
		}
	}
}

func TestPiecesOfABrokenSource(t *testing.T) {
	gone := errors.New("the line is dead")
	c, err := CutCSV(io.MultiReader(strings.NewReader("id\nA\nB\nC"), iotest.ErrReader(gone)), Options{})
	if err != nil {
		t.Fatal(err)
	}
	p, err := c.Next(1, 1000)
	if err != nil || p.Rows != 1 {
		t.Fatalf("the first piece: %v", err)
	}
	for range 2 { // the rest of the rows do not hide the fault, and it stays
		if _, err = c.Next(10, 1000); !errors.Is(err, gone) || !strings.Contains(err.Error(), "line 4") {
			t.Fatalf("%v", err)
		}
	}
}

func TestWhatIsNoPiece(t *testing.T) {
	c, err := CutCSV(strings.NewReader("id,trailer.tare [kg]\nA,1\n"), Options{})
	if err != nil {
		t.Fatal(err)
	}
	for _, head := range []string{"", "{", `{"columns": [{"Path": "trailer.tear"}]}`, `{"columns": [{"Path": "trailer.tare", "Unit": "ell"}]}`} {
		if _, err := NewPiece([]byte(head), nil); err == nil {
			t.Errorf("head %q was taken", head)
		}
	}
	for _, piece := range []string{"x", "1", "a {}", `2 {"c": ["A"]}`, `2 {"c": ["A", "1", "x"]}`, `2 {"c": ["A", "1"], "l": [2]}`, `2!{}`, `2!{"Line": 2, "Rig": {}, "Faults": [{}]}`, "\n"} {
		r, err := NewPiece(c.Head(), []byte(piece))
		if err != nil {
			t.Fatal(err)
		}
		if row, err := r.Next(); err == nil || err == io.EOF {
			t.Errorf("%q is %+v", piece, row)
		}
	}
}

func TestCuttingKeepsNoFile(t *testing.T) {
	size := int64(200 << 20)
	if testing.Short() {
		size = 16 << 20
	}
	before := longfile.InUse()
	row := "TV-07,AU-NSW,\"" + strings.Repeat("x\n", 30) + "\",1300," + strings.Repeat("n", 3000) + "\n"
	file := &longfile.File{Head: "id,jurisdiction,driver.licence,trailer.tare [kg],# notes\n", Piece: row, Left: size}
	c, err := CutCSV(file, Options{})
	if err != nil {
		t.Fatal(err)
	}
	n := int64(0)
	for {
		p, err := c.Next(500, 256<<10)
		if err == io.EOF {
			break
		}
		if err != nil {
			t.Fatal(err)
		}
		n += int64(p.Rows)
	}
	if want := size / int64(len(row)); n < want || n > want+1 {
		t.Errorf("%d rows of %d", n, want)
	}
	if grown := int64(file.Most) - int64(before); grown > 8<<20 {
		t.Errorf("the heap grew by %d bytes", grown)
	}
}

func FuzzCut(f *testing.F) {
	for _, seed := range []string{
		"id,driver.licence\nA,\"x\"\"y\nz\"\nB,\"\n", bom + "id;trailer.tare [t]\r\nA;1,5\r\n\r\nB;1.500", "id,# n\n'=1,\"\x00\"\n'',x\n", "{}\n{\"rig\": {}, \"id\": \"A\"}\n{",
		"\xff\xfei\x00", "chain.2.count,ball.size [mm]\n1,\n,50\n", "id\n\xe9\r\n\r\n,\n",
	} {
		f.Add([]byte(seed), uint8(1), uint16(1))
		f.Add([]byte(seed), uint8(3), uint16(4000))
	}
	f.Fuzz(func(t *testing.T, data []byte, rows uint8, size uint16) {
		same(t, data, int(rows)+1, int(size)+1, readCSV(Options{}), cutCSV(Options{}))
		same(t, data, int(rows)+1, int(size)+1, NewNDJSON, CutNDJSON)
	})
}

func BenchmarkCut(b *testing.B) {
	text, err := Template("AU-NSW")
	if err != nil {
		b.Fatal(err)
	}
	head, row, _ := strings.Cut(text, "\r\n")
	data := head + "\r\n" + strings.Repeat(row, 1000)
	b.SetBytes(int64(len(data)))
	b.ReportAllocs()
	for b.Loop() {
		c, err := CutCSV(strings.NewReader(data), Options{})
		if err != nil {
			b.Fatal(err)
		}
		for err == nil {
			_, err = c.Next(500, 256<<10)
		}
	}
}
