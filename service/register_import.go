package service

import (
	"context"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"

	"drawgear/rules/fleet"
	"drawgear/rules/rig"
)

// MaxImportRows is the most rows of a file that are read.
const MaxImportRows = 100_000

// importBytes is how many bytes of documents wait to be written at most, but for
// the last row.
const importBytes = 1 << 20

// Import writes what a table holds, row by row in bounded memory; place says whose
// terms the header uses and decimal is '.' or ',' if all numbers are written with
// it. A bad row does not stop the rest, and neither does one that others write at
// the same time; a row that says what is there already changes nothing. What a row
// names must be in the register: vehicles and trailers come first. The error is a
// *fleet.Bad if nothing of the file can be read. With any other error stands what
// was written until then, and the file can be sent again.
func (r *Registry) Import(ctx context.Context, kind EntryKind, place string, decimal byte, file io.Reader) (RegisterImport, error) {
	if err := need(ctx, ScopeFleet); err != nil {
		return RegisterImport{}, err
	}
	if err := errors.Join(knownKind(kind), knownPlace(place)); err != nil {
		return RegisterImport{}, err
	}
	rows, err := fleet.NewCSV(file, fleet.Options{Place: place, Decimal: decimal, Extra: registerExtra(kind)})
	if err != nil {
		return RegisterImport{}, err
	}
	im := &importing{registry: r, kind: kind, columns: rows.Headings(), lines: map[string]int{}, done: RegisterImport{Faults: []AuditFault{}}}
	if im.column("id").Column == 0 {
		return RegisterImport{}, &fleet.Bad{Faults: []fleet.Fault{{Line: 1, Message: "there is no column id", Advice: "Give each row the id under which the register is to keep it."}}}
	}
	err = im.run(ctx, rows)
	slices.SortStableFunc(im.done.Faults, func(a, b AuditFault) int { return a.Line - b.Line })
	return im.done, err
}

// importing is a file on its way into the register.
type importing struct {
	registry *Registry
	kind     EntryKind
	columns  []fleet.Heading
	lines    map[string]int // of the ids that came
	waiting  []importRow
	size     int // of the documents waiting
	done     RegisterImport
}

type importRow struct {
	line  int
	draft entryDraft
}

func (im *importing) run(ctx context.Context, rows *fleet.Reader) error {
	for {
		row, err := rows.Next()
		if err == io.EOF {
			return im.flush(ctx)
		}
		if err != nil {
			return fmt.Errorf("import the %s: %w", im.kind, err)
		}
		if im.done.Rows == MaxImportRows {
			im.tell(AuditFault{Line: row.Line, Message: fmt.Sprintf("the file has more than %d rows; what follows was not read", MaxImportRows), Advice: "Send the rest as a file of its own."})
			return im.flush(ctx)
		}
		im.done.Rows++
		d, faults := im.read(row)
		if faults != nil {
			im.refuse(faults...)
			continue
		}
		im.waiting = append(im.waiting, importRow{row.Line, d})
		im.size += len(d.document)
		if len(im.waiting) >= registerRows || im.size >= importBytes {
			if err := im.flush(ctx); err != nil {
				return err
			}
		}
	}
}

// column is the column of a path, or the zero one.
func (im *importing) column(path string) fleet.Heading {
	for _, h := range im.columns {
		if h.Path == path {
			return h
		}
	}
	return fleet.Heading{}
}

func (im *importing) tell(f AuditFault) {
	if len(im.done.Faults) < MaxImportFaults {
		im.done.Faults = append(im.done.Faults, f)
	}
}

func (im *importing) refuse(faults ...AuditFault) {
	im.done.Refused++
	for _, f := range faults {
		im.tell(f)
	}
}

// read makes what is to be written of a row.
func (im *importing) read(row fleet.Row) (entryDraft, []AuditFault) {
	var faults []AuditFault
	for _, f := range row.Faults {
		faults = append(faults, AuditFault{Line: f.Line, Column: f.Column, Name: f.Name, Pointer: f.Pointer, Message: f.Message, Advice: f.Advice})
	}
	at := func(h fleet.Heading, msg, advice string) {
		faults = append(faults, AuditFault{Line: row.Line, Column: h.Column, Name: h.Name, Message: msg, Advice: advice})
	}
	if first, twice := im.lines[row.ID]; twice {
		at(im.column("id"), fmt.Sprintf("line %d has this id already", first), "Keep the row that is meant.")
	} else if row.ID != "" {
		im.lines[row.ID] = row.Line
	}
	if faults != nil {
		return entryDraft{}, faults
	}
	for _, h := range im.foreign(row) {
		at(h, fmt.Sprintf("this is no fact of the %s", im.kind), "Write it in the table of what it belongs to.")
	}
	if n := len(row.Rig.Parts); im.kind == EntryPart && n != 1 {
		at(fleet.Heading{}, fmt.Sprintf("the row tells of %d parts", n), "Give each part a row of its own, with its role in the column part.role.")
	}
	if faults != nil {
		return entryDraft{}, faults
	}
	w, err := im.write(row)
	if err != nil {
		at(fleet.Heading{}, "the row cannot be written: "+err.Error(), "See the list of columns.")
		return entryDraft{}, faults
	}
	d, issues := readEntry(im.kind, row.ID, w)
	return d, im.faults(row.Line, issues)
}

// foreign lists the filled columns of facts that are none of the kind.
func (im *importing) foreign(row fleet.Row) (out []fleet.Heading) {
	var own []string // what paths may begin with
	switch im.kind {
	case EntryVehicle:
		own = []string{"vehicle"}
	case EntryTrailer:
		own = []string{"trailer"}
	case EntryPart:
		own = []string{"parts"}
	default:
		own = []string{"jurisdiction", "use", "parts", "vehicle.id", "trailer.id"}
	}
	for _, h := range im.columns {
		first, _, _ := strings.Cut(h.Path, ".")
		filled := false
		switch f, fact := rig.Lookup(h.Path); {
		case fact:
			filled = row.Rig.Entered(f.ID)
		case h.Path == "jurisdiction":
			filled = row.Rig.Jurisdiction != ""
		case h.Path == "vehicle.id":
			first, filled = h.Path, row.VehicleID != ""
		case h.Path == "trailer.id":
			first, filled = h.Path, row.TrailerID != ""
		case strings.HasPrefix(h.Path, "vehicle.items."):
			filled = len(row.Rig.VehicleItems) > 0
		case strings.HasPrefix(h.Path, "trailer.items."):
			filled = len(row.Rig.TrailerItems) > 0
		case first == "part" || slices.Contains(rig.PartRoles, first):
			first, filled = "parts", len(row.Rig.Parts) > 0
		}
		if filled && !slices.Contains(own, first) {
			out = append(out, h)
		}
	}
	return out
}

// write is what a row asks to be written.
func (im *importing) write(row fleet.Row) (RegisterWrite, error) {
	w := RegisterWrite{Since: row.Extra["since"], Yard: row.Extra["yard"], Note: row.Extra["note"]}
	if to := row.Extra["fitted_to"]; to != "" {
		kind, id, _ := strings.Cut(to, "/")
		w.FittedTo = &RegisterFitted{EntryKind(kind), id}
	}
	beside := map[string]any{}
	set := func(m map[string]any, name, text string) {
		if text != "" {
			m[name] = text
		}
	}
	set(beside, "vehicle", row.VehicleID)
	set(beside, "trailer", row.TrailerID)
	price := map[string]any{}
	set(price, "amount", row.Extra["price"])
	set(price, "currency", row.Extra["currency"])
	if len(price) > 0 {
		beside["price"] = price
	}
	var err error
	w.Document, err = encode(canonical(im.kind, row.Rig, beside))
	return w, err
}

// importColumns are the columns in which what a pointer names stands.
var importColumns = map[string]string{
	"/id": "id", "/since": "since", "/yard": "yard", "/note": "note", "/fitted_to/kind": "fitted_to", "/fitted_to/id": "fitted_to",
	"/document/price/amount": "price", "/document/price/currency": "currency", "/document/vehicle": "vehicle.id", "/document/trailer": "trailer.id",
}

// faults tells the issues of a row by their columns.
func (im *importing) faults(line int, issues rig.Issues) (out []AuditFault) {
	for _, is := range issues {
		f := AuditFault{Line: line, Pointer: is.Pointer, Message: is.Message, Advice: is.Advice}
		if path, ok := importColumns[is.Pointer]; ok {
			h := im.column(path)
			f.Column, f.Name = h.Column, h.Name
		}
		out = append(out, f)
	}
	return out
}

// flush writes the rows that wait, all in one step. If others wrote to one of them
// meanwhile, all are looked at again; a row to which they keep writing is refused.
func (im *importing) flush(ctx context.Context) error {
	r := im.registry
	for try := 1; len(im.waiting) > 0; try++ {
		var es []Entry
		unchanged, rest := 0, im.waiting[:0]
		has, found, err := im.look(ctx)
		if err != nil {
			return err
		}
		for _, row := range im.waiting {
			e, changed, late := row.draft.next(has[row.draft.id], r.time(), subject(ctx))
			switch issues := append(row.draft.missing(found), late...); {
			case issues != nil:
				im.refuse(im.faults(row.line, issues)...)
				continue
			case changed:
				es = append(es, e)
			default:
				unchanged++
			}
			rest = append(rest, row)
		}
		im.waiting = rest
		var stale *StaleEntry
		if len(es) > 0 {
			if err := r.store.PutEntries(ctx, es...); errors.As(err, &stale) {
				if try >= registerTries && !im.giveUp(stale.ID) {
					return fmt.Errorf("import the %s: %w", im.kind, err)
				}
				continue
			} else if err != nil {
				return fmt.Errorf("import the %s: %w", im.kind, err)
			}
		}
		im.done.Written, im.done.Unchanged = im.done.Written+len(es), im.done.Unchanged+unchanged
		im.waiting = im.waiting[:0]
	}
	im.size = 0
	return nil
}

// look reads what the register has of the entries that wait, by id, and which of
// what they name is there.
func (im *importing) look(ctx context.Context) (has map[string]Entry, found map[FittedTo]bool, err error) {
	ids := map[EntryKind][]string{}
	found = map[FittedTo]bool{}
	for _, row := range im.waiting {
		for _, n := range row.draft.names() {
			if _, asked := found[n.to]; !asked {
				found[n.to] = false
				ids[n.to.Kind] = append(ids[n.to.Kind], n.to.ID)
			}
		}
	}
	get := func(kind EntryKind, ids []string, each func(Entry)) error {
		es, err := im.registry.store.GetEntries(ctx, kind, ids...)
		if err != nil {
			return fmt.Errorf("read the register: %w", err)
		}
		for _, e := range es {
			each(e)
		}
		return nil
	}
	for kind, list := range ids {
		if err := get(kind, list, func(e Entry) { found[FittedTo{kind, e.ID}] = !e.Removed }); err != nil {
			return nil, nil, err
		}
	}
	has = map[string]Entry{}
	var own []string
	for _, row := range im.waiting {
		own = append(own, row.draft.id)
	}
	return has, found, get(im.kind, own, func(e Entry) { has[e.ID] = e })
}

// giveUp refuses the row of an entry, and reports whether there is one.
func (im *importing) giveUp(id string) bool {
	i := slices.IndexFunc(im.waiting, func(row importRow) bool { return row.draft.id == id })
	if i < 0 {
		return false
	}
	im.refuse(AuditFault{Line: im.waiting[i].line, Message: "others keep writing to this entry", Advice: "Send the row again."})
	im.waiting = slices.Delete(im.waiting, i, i+1)
	return true
}
