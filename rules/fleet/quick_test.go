package fleet

import (
	"bytes"
	"io"
	"reflect"
	"slices"
	"strings"
	"testing"
	"unicode/utf8"

	"pgregory.net/rapid"

	"drawgear/rules/rig"
)

// alike holds every row of a table, as it is read, to what reading it by way of a
// document gives. It returns how many were rigs, and how many of these were read
// quickly.
func alike(t interface {
	Fatal(...any)
	Fatalf(string, ...any)
}, text []byte, o Options,
) (rigs, quick int) {
	table, err := newTable(bytes.NewReader(text), o)
	if err != nil {
		return 0, 0
	}
	for {
		err := table.scan()
		if err == io.EOF {
			return rigs, quick
		}
		if err != nil {
			t.Fatal(err)
		}
		got := table.make()
		if !table.formed(&Row{}) {
			continue
		}
		table.faults = nil
		want := table.slowly()
		if !reflect.DeepEqual(got, want) {
			t.Fatalf("%q line %d:\nread   %+v\nslowly %+v", text, want.Line, got, want)
		}
		if want.Rig == nil {
			continue
		}
		rigs++
		table.faults = nil
		if _, ok := table.quickly(&Row{}); ok {
			quick++
		}
	}
}

// TestQuickly: rows are read to the same rigs, field by field, straight from their
// cells as by way of a document, and every row is unless it lists things carried.
func TestQuickly(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r, err := rig.FromTree(drawDocument(t))
		if err != nil {
			t.Fatal(err)
		}
		row := Row{ID: "A", Rig: r}
		columns := ColumnsOf(row)
		if rapid.Bool().Draw(t, "listed") {
			columns = ListedColumnsOf(row)
		}
		rigs, quick := alike(t, []byte(write(t, columns, []Row{row, row})), Options{})
		if items := len(r.TrailerItems)+len(r.VehicleItems) > 0; rigs != 2 || quick != 2 && !items {
			t.Fatalf("%d rigs, %d read quickly", rigs, quick)
		}
	})
}

// TestQuicklyOrNot is TestQuickly with cells that are not what they should be.
func TestQuicklyOrNot(t *testing.T) {
	text, err := Template("AU-NSW")
	if err != nil {
		t.Fatal(err)
	}
	rows := strings.Split(strings.TrimSpace(text), "\r\n")
	odd := rapid.SampledFrom([]string{
		"", " ", "0", "1", "-1", "101", "2000", "2000 kg", "1.5", "1.500", "1,5", "01", "1e3", "x", "yes", "TRUE", "[]", "1|2", "1|", "|", "12|14|16", "air", "none", "electric", "2024-06-01", "2024-13-01",
		"1800-01-01", "AU-NSW", "AU-nsw", "=x", "'=x", "'", "é", " padded ", "999999999999", "1234567890", "0.0000000000001", "9999999999", strings.Repeat("7", 65), strings.Repeat("x", 65), "\x01",
	})
	heads := rapid.SampledFrom([]string{
		"trailer.approvals", "trailer.brakes.axle_positions", "driver.licence", "vehicle.wheelbase [m]", "vehicle.wheelbase", "trailer.tare", "vehicle.kerb [lb]", "tyre.load_index", "tyre.count", "chain.2.grade",
		"part.role", "part.rated_mass [kg]", "part.2.role", "shackle.on", "cable.breaking_mass [kg]", "cable.breaking_force", "trailer.items.1.mass [kg]", "use.speed", "as_of",
	})
	rapid.Check(t, func(t *rapid.T) {
		head, cells := strings.Split(rows[0], ","), strings.Split(rows[1], ",")
		for _, name := range rapid.SliceOfNDistinct(heads, 0, 4, rapid.ID).Draw(t, "more") {
			if !slices.Contains(head, name) {
				head, cells = append(head, name), append(cells, odd.Draw(t, name))
			}
		}
		for range rapid.IntRange(0, 4).Draw(t, "changes") {
			cells[rapid.IntRange(0, len(cells)-1).Draw(t, "cell")] = odd.Draw(t, "to")
		}
		for i := range cells {
			if strings.Contains(cells[i], ",") {
				cells[i] = `"` + cells[i] + `"`
			}
		}
		o := Options{Decimal: rapid.SampledFrom([]byte{0, '.'}).Draw(t, "decimal")}
		alike(t, []byte(strings.Join(head, ",")+"\n"+strings.Join(cells, ",")+"\n"), o)
	})
}

// FuzzTableQuickly is TestQuickly for any bytes.
func FuzzTableQuickly(f *testing.F) {
	template, err := Template("AU-NSW", "GB")
	if err != nil {
		f.Fatal(err)
	}
	for _, seed := range []string{
		template, "id;trailer.tare [t]\nA;1,5\nB;1.500\n", "id,driver.licence\nA,\"x\"\"y\nz\"\n", "chain.2.count,ball.size [mm]\n1,\n,50\n",
		"trailer.approvals,vehicle.rated.axles [lb]\n[],1|2\nun-r13|un-r13,\n", "part.role,part.count,tyre.axle\nball,2,1\n,1,\n", "trailer.brakes.axle_positions,trailer.axle_count\n1|2,2\n[],1\n",
	} {
		f.Add([]byte(seed), "AU-NSW", byte(0))
		f.Add([]byte(seed), "", byte(','))
	}
	f.Fuzz(func(t *testing.T, data []byte, place string, sign byte) {
		if utf8.ValidString(place) {
			alike(t, data, Options{Place: place, Decimal: sign})
		}
	})
}
