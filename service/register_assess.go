package service

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"strconv"
	"time"

	"drawgear/rules/rig"
)

// Assess answers about what the register holds and, if record is set, keeps it as
// an assessment, with the whole rig as it was made up, so that it is replayed like
// any other. Vehicle, trailer, pairing and the parts fitted are taken as they
// stand today, or on the day that is asked about if that is to come; the law is
// that of the day. What is not there then is told as Invalid.
func (r *Registry) Assess(ctx context.Context, q RegisterAsk, record bool) (Assessment, error) {
	day, faults := q.check(r.time())
	if faults != nil {
		return Assessment{}, faults
	}
	p := pairing{Vehicle: q.Vehicle, Trailer: q.Trailer}
	vehicleAt, trailerAt := "/vehicle", "/trailer"
	if q.Pairing != "" {
		e, err := r.standing(ctx, EntryPairing, q.Pairing, day, "/pairing")
		if err != nil {
			return Assessment{}, err
		}
		if p, err = readPairing(e); err != nil {
			return Assessment{}, err
		}
		vehicleAt, trailerAt = "/pairing", "/pairing"
	}
	if q.Jurisdiction != "" {
		p.Jurisdiction = q.Jurisdiction
	}
	if q.Use != nil {
		p.Use = q.Use
	}
	vehicle, err := r.standing(ctx, EntryVehicle, p.Vehicle, day, vehicleAt)
	if err != nil {
		return Assessment{}, err
	}
	trailer, err := r.standing(ctx, EntryTrailer, p.Trailer, day, trailerAt)
	if err != nil {
		return Assessment{}, err
	}
	var parts []Entry
	for _, e := range []Entry{vehicle, trailer} {
		all, err := fits(ctx, r.store, FittedTo{e.Kind, e.ID})
		if err != nil {
			return Assessment{}, err
		}
		for _, f := range all {
			if f.on(day) {
				parts = append(parts, f.entry)
			}
		}
	}
	doc, err := composeRig(vehicle, trailer, parts, p)
	if err != nil {
		return Assessment{}, err
	}
	if q.AsOf != "" {
		if doc, err = withDay(doc, q.AsOf); err != nil {
			return Assessment{}, err
		}
	}
	return r.answers.AssessKnown(ctx, doc, time.Time{}, record)
}

// check holds the question to its form and gives the day on which the register is
// looked at.
func (q RegisterAsk) check(now time.Time) (day string, faults Invalid) {
	add := func(pointer, code, msg, advice string) {
		faults = append(faults, rig.Issue{Pointer: pointer, Code: code, Message: msg, Advice: advice})
	}
	const both = "Give a pairing, or a vehicle and a trailer."
	switch {
	case q.Pairing != "" && (q.Vehicle != "" || q.Trailer != ""):
		add("/pairing", rig.CodeContradiction, "a pairing has a vehicle and a trailer of its own", both)
	case q.Pairing == "" && q.Vehicle == "" && q.Trailer == "":
		add("", rig.CodeBadValue, "it is not said what is meant", both)
	case q.Pairing == "" && q.Vehicle == "":
		add("/vehicle", rig.CodeBadValue, "it is missing", both)
	case q.Pairing == "" && q.Trailer == "":
		add("/trailer", rig.CodeBadValue, "it is missing", both)
	}
	day = rig.DayOf(now).String()
	if q.AsOf != "" {
		if _, err := rig.ParseDay(q.AsOf); err != nil {
			add("/as_of", rig.CodeBadValue, "not a day", err.Error())
		}
		day = max(day, q.AsOf)
	}
	if q.Use != nil && !json.Valid(q.Use) {
		add("/use", rig.CodeSyntax, "not JSON", "Give an object such as {\"commercial\": true}.")
	}
	return day, faults
}

// standing is the revision of an entry that holds on a day. That there is none is
// told as Invalid at a place of the question.
func (r *Registry) standing(ctx context.Context, kind EntryKind, id, day, pointer string) (Entry, error) {
	gone := func(msg, advice string) (Entry, error) {
		return Entry{}, Invalid{{Pointer: pointer, Code: rig.CodeBadValue, Message: msg, Advice: advice}}
	}
	name := string(kind) + "/" + id
	e, err := r.store.GetEntry(ctx, kind, id)
	if errors.Is(err, ErrNotFound) {
		return gone("the register has no "+name, "Give the id of one that is there.")
	}
	if err != nil {
		return Entry{}, fmt.Errorf("read the register: %w", err)
	}
	switch e, err = revisionOn(ctx, r.store, e, day); {
	case err != nil:
		return Entry{}, err
	case e.Since > day:
		return gone(name+" is there only from "+e.Since, "Ask about that day or a later one.")
	case e.Removed:
		return gone(name+" is no longer there", "It was removed on "+e.Since+".")
	}
	return e, nil
}

// revisionOn walks from the newest revision of an entry to the one that holds on a
// day: the newest whose own day is not after it. If there is none it gives the
// first of all, whose day is.
func revisionOn(ctx context.Context, store Register, e Entry, day string) (Entry, error) {
	for e.Since > day {
		before, err := store.EntryHistory(ctx, e.Kind, e.ID, e.Revision, 1)
		if err != nil {
			return Entry{}, fmt.Errorf("read the register: %w", err)
		}
		if len(before) == 0 {
			break
		}
		e = before[0]
	}
	return e, nil
}

// withDay puts the day whose law is meant into a rig document.
func withDay(doc json.RawMessage, day string) (json.RawMessage, error) {
	var rigOf map[string]json.RawMessage
	if err := json.Unmarshal(doc, &rigOf); err != nil {
		return nil, fmt.Errorf("read the rig that was made up: %w", err)
	}
	rigOf["as_of"] = json.RawMessage(strconv.Quote(day)) // digits and hyphens
	out, err := json.Marshal(rigOf)
	if err != nil {
		return nil, fmt.Errorf("put the day into the rig: %w", err)
	}
	return out, nil
}
