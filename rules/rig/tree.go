package rig

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"strconv"
	"strings"
	"unicode/utf8"
)

// Limits of a rig document. The contract states them.
const (
	MaxBytes  = 64 << 10 // size of the document
	MaxDepth  = 8        // nesting
	MaxParts  = 64       // entries in parts
	MaxList   = 12       // entries in any other list
	MaxText   = 64       // characters of any text
	maxIssues = 25       // issues reported at once
)

// Escape writes a name as a JSON Pointer token (RFC 6901); a long one is cut.
func Escape(name string) string {
	if len(name) > MaxText {
		name = strings.ToValidUTF8(name[:MaxText], "") // the cut may fall inside a character
	}
	return strings.ReplaceAll(strings.ReplaceAll(name, "~", "~0"), "/", "~1")
}

// Form is what a document of one kind may be, and the advice where it is not.
type Form struct {
	Depth    int    // most levels of nesting
	TooDeep  string // advice for what lies deeper
	TooLarge string // for more than MaxBytes
	Sample   string // for what is no JSON
}

var rigForm = Form{
	Depth: MaxDepth, TooDeep: "No field of a rig lies this deep.", TooLarge: "Send one rig a request.",
	Sample: "Send one JSON object, for example {\"jurisdiction\": \"AU-NSW\"}.",
}

// parseJSON reads a rig document, which is an object.
func parseJSON(data []byte) (map[string]any, Issues) {
	v, issues := ParseJSON(data, rigForm)
	if issues != nil {
		return nil, issues
	}
	m, ok := v.(map[string]any)
	if !ok {
		return nil, Issues{{"", CodeWrongType, "the document must be a JSON object", rigForm.Sample}}
	}
	return m, nil
}

// ParseJSON reads a document into maps, lists, strings, json.Number, bool and
// nil. encoding/json alone would let a repeated name win silently; which of two
// masses was meant is not ours to guess, so a repeat is an issue.
func ParseJSON(data []byte, form Form) (any, Issues) {
	if len(data) > MaxBytes {
		return nil, Issues{{"", CodeLimit, fmt.Sprintf("the document is larger than %d bytes", MaxBytes), form.TooLarge}}
	}
	if v, ok := quickly(data, form); ok {
		return v, nil
	}
	return parseSlowly(data, form)
}

// parseSlowly reads token by token and so knows the place of what is wrong.
func parseSlowly(data []byte, form Form) (any, Issues) {
	if !utf8.Valid(data) { // encoding/json would put U+FFFD in its place and say nothing
		return nil, Issues{{"", CodeSyntax, "not a JSON document: the text is not UTF-8", "Encode the document as UTF-8."}}
	}
	dec := json.NewDecoder(bytes.NewReader(data))
	dec.UseNumber()
	p := &treeParser{dec: dec, form: form}
	v, err := p.value("", 0)
	if err == nil {
		if _, extra := dec.Token(); !errors.Is(extra, io.EOF) {
			err = errors.New("there is more after the end of the document")
		}
	}
	if p.issues != nil {
		return nil, p.issues
	}
	if err != nil {
		return nil, Issues{{"", CodeSyntax, "not a JSON document: " + err.Error(), form.Sample}}
	}
	return v, nil
}

type treeParser struct {
	dec    *json.Decoder
	form   Form
	issues Issues
}

var errStop = errors.New("stopped")

func (p *treeParser) stop(ptr, code, msg, advice string) error {
	p.issues = append(p.issues, Issue{ptr, code, msg, advice})
	return errStop
}

func (p *treeParser) value(ptr string, depth int) (any, error) {
	if depth > p.form.Depth {
		return nil, p.stop(ptr, CodeLimit, "nested too deep", p.form.TooDeep)
	}
	tok, err := p.dec.Token()
	if err != nil {
		return nil, err
	}
	delim, ok := tok.(json.Delim)
	if !ok {
		return tok, nil
	}
	if delim == '{' {
		m := map[string]any{}
		for p.dec.More() {
			key, err := p.dec.Token()
			if err != nil {
				return nil, err
			}
			name, _ := key.(string)
			at := ptr + "/" + Escape(name)
			if _, dup := m[name]; dup {
				return nil, p.stop(at, CodeContradiction, "this name stands twice", "Keep the one that is meant.")
			}
			if m[name], err = p.value(at, depth+1); err != nil {
				return nil, err
			}
		}
		_, err = p.dec.Token()
		return m, err
	}
	list := []any{}
	for p.dec.More() {
		if len(list) > MaxParts {
			return nil, p.stop(ptr, CodeLimit, "the list is too long", fmt.Sprintf("At most %d entries.", MaxParts))
		}
		v, err := p.value(ptr+"/"+strconv.Itoa(len(list)), depth+1)
		if err != nil {
			return nil, err
		}
		list = append(list, v)
	}
	_, err = p.dec.Token()
	return list, err
}
