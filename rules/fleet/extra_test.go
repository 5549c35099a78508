package fleet

import (
	"errors"
	"io"
	"maps"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"drawgear/rules/rig"
)

var yardColumns = []Extra{{Name: "yard"}, {Name: "fitted_to"}, {Name: "price", Number: true}}

func TestExtra(t *testing.T) {
	const head = "id;Yard;Fitted To;price;driver.licence\n"
	for _, test := range []struct {
		name, row string
		decimal   byte
		want      map[string]string
		column    int // of the fault, if one is due
	}{
		{"none", "A;;;;\n", 0, nil, 0},
		{"texts without spaces around them", "A; Tarn Valley ;'=x;;\n", 0, map[string]string{"yard": "Tarn Valley", "fitted_to": "=x"}, 0},
		{"an apostrophe that is meant", "A;'s;'';;\n", 0, map[string]string{"yard": "'s", "fitted_to": "''"}, 0},
		{"a number", "A;;;18,5;\n", 0, map[string]string{"price": "18.5"}, 0},
		{"a number of two meanings", "A;;;1.500;\n", 0, nil, 4},
		{"a number of one", "A;;;1.500;\n", '.', map[string]string{"price": "1.500"}, 0},
		{"a decimal sign that is not the file's", "A;;;1,5;\n", '.', nil, 4},
		{"a row that is bad otherwise", "A;Tarn;;;" + strings.Repeat("x", 65) + "\n", 0, nil, 5},
		{"too long", "A;" + strings.Repeat("x", MaxCell+1) + ";;;\n", 0, nil, 2},
	} {
		t.Run(test.name, func(t *testing.T) {
			row := readTable(t, head+test.row, Options{Decimal: test.decimal, Extra: yardColumns})[0]
			if test.column > 0 {
				if len(row.Faults) != 1 || row.Faults[0].Column != test.column || row.Rig != nil {
					t.Errorf("%+v", row)
				}
				return
			}
			if row.Faults != nil || !maps.Equal(row.Extra, test.want) || row.ID != "A" {
				t.Errorf("%+v", row)
			}
		})
	}
	for text, says := range map[string]string{
		"id,yard\n":                     "there is no such column", // they are none unless asked for
		"id,yard,YARD\n":                "holds yard too",
		"id,price [kg]\n":               "this column has no unit",
		"id,yord\n":                     "there is no such column",
		"id,part.2.rolle,part.0.role\n": "there is no such column",
	} {
		o := Options{Extra: yardColumns}
		if text == "id,yard\n" {
			o.Extra = nil
		}
		_, err := NewCSV(strings.NewReader(text), o)
		var b *Bad
		if !errors.As(err, &b) || !strings.Contains(b.Error(), says) {
			t.Errorf("%q: %v", text, err)
		}
	}
	if _, err := NewWriter(io.Discard, []string{"id", "yard"}); err == nil {
		t.Error("an extra column that was not asked for is written")
	}
	var out strings.Builder
	w, err := NewWriter(&out, []string{"id", "yard"}, yardColumns...)
	if err != nil {
		t.Fatal(err)
	}
	if err := w.Write(Row{ID: "A", Extra: map[string]string{"price": "1"}}); err == nil {
		t.Error("a text without a column is lost")
	}
}

// Extra texts and listed parts come back as they were, parts in their order.
func TestListedRoundTrip(t *testing.T) {
	text := rapid.StringMatching(`[A-Za-z=+@'"|,;é\-]{0,20}[a-z'"]`)
	rapid.Check(t, func(t *rapid.T) {
		tree := drawDocument(t)
		if list, ok := tree["parts"].([]any); ok { // one of each column is enough to be too many
			tree["parts"] = rapid.Permutation(list).Draw(t, "order")[:min(len(list), 8)]
		}
		r, err := rig.FromTree(tree)
		if err != nil {
			t.Fatalf("%v is refused: %v", tree, err)
		}
		row := Row{ID: "A", Rig: r, Extra: map[string]string{"yard": text.Draw(t, "yard"), "price": "18.50"}}
		back, err := NewCSV(strings.NewReader(writeExtra(t, row)), Options{Extra: yardColumns})
		if err != nil {
			t.Fatal(err)
		}
		got, err := back.Next()
		if err != nil || got.Faults != nil || string(document(got)) != string(Document(r)) || !maps.Equal(got.Extra, row.Extra) {
			t.Fatalf("%s %v came back as %s %v: %v %v", Document(r), row.Extra, document(got), got.Extra, err, got.Faults)
		}
	})
}

func writeExtra(t *rapid.T, row Row) string {
	var out strings.Builder
	w, err := NewWriter(&out, ListedColumnsOf(row), yardColumns...)
	if err != nil {
		t.Fatal(err)
	}
	if err := errors.Join(w.Write(row), w.Flush()); err != nil {
		t.Fatal(err)
	}
	return out.String()
}

func TestListedParts(t *testing.T) {
	for _, test := range []struct{ head, row, want string }{
		{"part.role,part.count", "chain,2", `{"parts":[{"count":2,"role":"chain"}]}`},
		{"part.2.role,part.role", "ball,chain", `{"parts":[{"role":"chain"},{"role":"ball"}]}`},
		{"part.2.role,part.role", "ball,", `{"parts":[{"role":"ball"}]}`},
		{"ball.rated_mass [kg],part.role", "3500,tyre", `{"parts":[{"role":"tyre"},{"rated_mass":"3500 kg","role":"ball"}]}`},
		{"part.role,part.size [mm]", ",", ``},
		{"part.role,part.size [mm]", ",50", ``},
		{"part.role", "rope", ``},
	} {
		row := readTable(t, "id,"+test.head+"\nA,"+test.row+"\n", Options{})[0]
		want := test.want
		if want == "" && test.row == "," {
			want = "{}"
		}
		if string(document(row)) != want || (want == "") != (row.Faults != nil) {
			t.Errorf("%s %s: %s %v", test.head, test.row, document(row), row.Faults)
		}
	}
}
