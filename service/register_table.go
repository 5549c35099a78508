package service

import (
	"bytes"
	"context"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"io"
	"strings"
	"time"

	"drawgear/rules/fleet"
	"drawgear/rules/rig"
)

// A table of the register is one of package fleet with a row an entry: the facts
// of the kind by their paths or terms, those of a part and of the parts of a
// pairing as part.role, part.rated_mass, part.2.role, and the columns below. Free
// text that begins with = + - or @ stands behind an apostrophe, so that a
// spreadsheet does not run it; reading the table takes it off again.

// registerColumns are the columns that every exported table of a kind has.
func registerColumns(kind EntryKind) []string {
	switch kind {
	case EntryPart:
		return []string{"id", "yard", "since", "fitted_to", "price", "currency", "note", "part.role"}
	case EntryPairing:
		return []string{"id", "vehicle.id", "trailer.id", "jurisdiction", "yard", "since", "note"}
	default:
		return []string{"id", "yard", "since", "note"}
	}
}

// registerExtra are those of them of which package fleet knows nothing.
func registerExtra(kind EntryKind) []fleet.Extra {
	out := []fleet.Extra{{Name: "yard"}, {Name: "since"}, {Name: "note"}}
	if kind == EntryPart {
		out = append(out, fleet.Extra{Name: "fitted_to"}, fleet.Extra{Name: "price", Number: true}, fleet.Extra{Name: "currency"})
	}
	return out
}

// Export writes all entries of a kind, or those of a yard, as a table that Import
// reads back to the same: the register as it was when the export began. Removed
// entries are left out.
func (r *Registry) Export(ctx context.Context, kind EntryKind, yard string, out io.Writer) error {
	if err := knownKind(kind); err != nil {
		return err
	}
	asked := r.time()
	columns := registerColumns(kind)
	seen := map[string]bool{}
	for _, name := range columns {
		seen[name] = true
	}
	err := r.eachRow(ctx, kind, yard, asked, func(row fleet.Row) error {
		for _, name := range fleet.ListedColumnsOf(row) {
			if !seen[name] {
				seen[name], columns = true, append(columns, name)
			}
		}
		return nil
	})
	if err != nil {
		return fmt.Errorf("export the %s: %w", kind, err)
	}
	w, err := fleet.NewWriter(out, columns, registerExtra(kind)...)
	if err != nil {
		return fmt.Errorf("export the %s: %w", kind, err)
	}
	if err := r.eachRow(ctx, kind, yard, asked, w.Write); err != nil {
		return fmt.Errorf("export the %s: %w", kind, err)
	}
	return w.Flush()
}

// eachRow walks through the entries of a kind as they were at a time, as rows.
func (r *Registry) eachRow(ctx context.Context, kind EntryKind, yard string, asked time.Time, do func(fleet.Row) error) error {
	// The filter is ours: an entry that was changed since may have been of the
	// yard, and there.
	return r.each(ctx, EntryFilter{Kind: kind, Removed: true}, func(e Entry) error {
		for e.WrittenAt.After(asked) {
			before, err := r.store.EntryHistory(ctx, kind, e.ID, e.Revision, 1)
			if err != nil {
				return err
			}
			if len(before) == 0 {
				return nil
			}
			e = before[0]
		}
		if e.Removed || yard != "" && e.Yard != yard {
			return nil
		}
		row, err := entryRow(e)
		if err != nil {
			return err
		}
		return do(row)
	})
}

// entryRow is an entry as a row of a table.
func entryRow(e Entry) (fleet.Row, error) {
	fail := func(err error) (fleet.Row, error) {
		return fleet.Row{}, fmt.Errorf("read %s/%s: %w", e.Kind, e.ID, err)
	}
	var doc map[string]any
	in := json.NewDecoder(bytes.NewReader(e.Document))
	in.UseNumber()
	if err := in.Decode(&doc); err != nil {
		return fail(err)
	}
	row := fleet.Row{ID: e.ID, Extra: map[string]string{"yard": e.Yard, "since": e.Since, "note": e.Note}}
	of := doc
	switch e.Kind {
	case EntryVehicle:
		of = map[string]any{"vehicle": doc}
	case EntryTrailer:
		of = map[string]any{"trailer": doc}
	case EntryPart:
		if price, ok := doc["price"].(map[string]any); ok {
			row.Extra["price"], _ = price["amount"].(string)
			row.Extra["currency"], _ = price["currency"].(string)
			delete(doc, "price")
		}
		if e.FittedTo.Kind != "" {
			row.Extra["fitted_to"] = string(e.FittedTo.Kind) + "/" + e.FittedTo.ID
		}
		of = map[string]any{"parts": []any{doc}}
	default:
		row.VehicleID, _ = doc["vehicle"].(string)
		row.TrailerID, _ = doc["trailer"].(string)
		delete(doc, "vehicle")
		delete(doc, "trailer")
	}
	var err error
	if row.Rig, err = rig.FromTree(of); err != nil {
		return fail(err)
	}
	return row, nil
}

// templates are example rows: of the Tarn Valley grounds-care fleet, and a float of
// Saltmarsh Yard.
var templates = map[EntryKind][]struct{ path, unit, cell string }{
	EntryVehicle: {
		{"id", "", "UTE-2"},
		{"yard", "", "Tarn Valley depot"},
		{"since", "", ""},
		{"note", "", ""},
		{"vehicle.category", "", "light_truck"},
		{"vehicle.rated.total", "kg", "3100"},
		{"vehicle.rated.combination", "kg", "6000"},
		{"vehicle.unladen", "kg", "2050"},
		{"vehicle.towing.braked", "kg", "3500"},
		{"vehicle.towing.unbraked", "kg", "750"},
		{"vehicle.towing.ball", "kg", "350"},
	},
	EntryTrailer: {
		{"id", "", "FLOAT-3"},
		{"yard", "", "Saltmarsh Yard"},
		{"since", "", ""},
		{"note", "", ""},
		{"trailer.layout", "", "centre_axle"},
		{"trailer.purpose", "", "livestock"},
		{"trailer.axle_count", "", "2"},
		{"trailer.built", "", "2024-06-01"},
		{"trailer.rated.total", "kg", "2000"},
		{"trailer.rated.axles", "kg", "1850"},
		{"trailer.tare", "kg", "980"},
		{"trailer.brakes.kind", "", "electric"},
		{"trailer.brakes.braked_axles", "", "2"},
		{"trailer.breakaway.kind", "", "automatic"},
	},
	EntryPart: {
		{"id", "", "CHAIN-11"},
		{"yard", "", "Saltmarsh Yard"},
		{"since", "", ""},
		{"fitted_to", "", ""},
		{"price", "", "18.50"},
		{"currency", "", "AUD"},
		{"note", "", ""},
		{"part.role", "", "chain"},
		{"part.rated_mass", "kg", "2500"},
		{"part.size", "mm", "10"},
		{"part.count", "", "2"},
	},
	EntryPairing: {
		{"id", "", "TV-07"},
		{"vehicle.id", "", "UTE-2"},
		{"trailer.id", "", "FLOAT-3"},
		{"jurisdiction", "", ""},
		{"yard", "", "Tarn Valley depot"},
		{"since", "", ""},
		{"note", "", ""},
		{"use.commercial", "", "true"},
		{"part.role", "", ""},
		{"part.rated_mass", "kg", ""},
	},
}

// Template is a table to fill in: the header, in the terms of a place if one is
// given, and an example row.
func (r *Registry) Template(kind EntryKind, place string) (string, error) {
	if err := knownKind(kind); err != nil {
		return "", err
	}
	var places []string
	example := "AU-NSW"
	if place != "" {
		if err := knownPlace(place); err != nil {
			return "", err
		}
		places, example = []string{place}, place
	}
	var names, cells []string
	for _, c := range templates[kind] {
		name := fleet.Term(c.path, places...)
		if c.unit != "" {
			name += " [" + c.unit + "]"
		}
		if c.path == "jurisdiction" {
			c.cell = example
		}
		names, cells = append(names, name), append(cells, c.cell)
	}
	var text strings.Builder
	out := csv.NewWriter(&text)
	out.UseCRLF = true
	if err := out.WriteAll([][]string{names, cells}); err != nil {
		return "", fmt.Errorf("write a template: %w", err)
	}
	return text.String(), nil
}

func knownPlace(place string) error {
	if place == "" || rig.ValidJurisdiction(place) {
		return nil
	}
	return Invalid{{Pointer: "/place", Code: rig.CodeBadValue, Message: "not an ISO 3166 code", Advice: "For example AU-NSW, GB, US-CA."}}
}
