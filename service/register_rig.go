package service

import (
	"encoding/json"
	"fmt"
	"strings"
)

// pairing is the document of a pairing: a vehicle and a trailer of the register
// that are used together, where, how, and with what between them.
type pairing struct {
	Vehicle      string            `json:"vehicle"`
	Trailer      string            `json:"trailer"`
	Jurisdiction string            `json:"jurisdiction,omitempty"`
	Use          json.RawMessage   `json:"use,omitempty"`
	Parts        []json.RawMessage `json:"parts,omitempty"`
}

// readPairing reads the document of an entry of the kind EntryPairing.
func readPairing(e Entry) (pairing, error) {
	var p pairing
	if err := json.Unmarshal(e.Document, &p); err != nil {
		return pairing{}, fmt.Errorf("read pairing %s: %w", e.ID, err)
	}
	return p, nil
}

// composeRig makes the rig document of a vehicle and a trailer of the register
// with the parts that are fitted to either, in the order given, and then those of
// the pairing. A part that says nothing of where it sits, sits on what it is
// fitted to; its price is no fact of a rig. Where no part is known the document
// has no list of parts: that none is listed does not say that there is none.
func composeRig(vehicle, trailer Entry, parts []Entry, p pairing) (json.RawMessage, error) {
	var list []json.RawMessage
	for _, e := range parts {
		part, err := rigPart(e)
		if err != nil {
			return nil, err
		}
		list = append(list, part)
	}
	doc, err := json.Marshal(struct {
		Jurisdiction string            `json:"jurisdiction,omitempty"`
		Use          json.RawMessage   `json:"use,omitempty"`
		Vehicle      json.RawMessage   `json:"vehicle,omitempty"`
		Trailer      json.RawMessage   `json:"trailer,omitempty"`
		Parts        []json.RawMessage `json:"parts,omitempty"`
	}{p.Jurisdiction, p.Use, vehicle.Document, trailer.Document, append(list, p.Parts...)})
	if err != nil {
		return nil, fmt.Errorf("make the rig of %s and %s: %w", vehicle.ID, trailer.ID, err)
	}
	return doc, nil
}

// rigPart is the entry of a rig's list of parts that a part of the register makes.
func rigPart(e Entry) (json.RawMessage, error) {
	var doc map[string]json.RawMessage
	if err := json.Unmarshal(e.Document, &doc); err != nil {
		return nil, fmt.Errorf("read part %s: %w", e.ID, err)
	}
	delete(doc, "price")
	if _, said := doc["on"]; !said && e.FittedTo.Kind != "" {
		doc["on"] = json.RawMessage(`"` + strings.TrimSuffix(string(e.FittedTo.Kind), "s") + `"`)
	}
	part, err := json.Marshal(doc) // by name
	if err != nil {
		return nil, fmt.Errorf("write part %s: %w", e.ID, err)
	}
	return part, nil
}
