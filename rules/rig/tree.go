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

// escape writes a name as a JSON Pointer token (RFC 6901).
func escape(name string) string {
	if len(name) > MaxText {
		name = strings.ToValidUTF8(name[:MaxText], "") // the cut may fall inside a character
	}
	return strings.ReplaceAll(strings.ReplaceAll(name, "~", "~0"), "/", "~1")
}

// parseJSON reads a document into maps, lists, strings, json.Number, bool and
// nil. encoding/json alone would let a repeated name win silently; which of two
// masses was meant is not ours to guess, so a repeat is an issue.
func parseJSON(data []byte) (map[string]any, Issues) {
	if len(data) > MaxBytes {
		return nil, Issues{{"", CodeLimit, fmt.Sprintf("the document is larger than %d bytes", MaxBytes), "Send one rig a request."}}
	}
	if !utf8.Valid(data) { // encoding/json would put U+FFFD in its place and say nothing
		return nil, Issues{{"", CodeSyntax, "not a JSON document: the text is not UTF-8", "Encode the document as UTF-8."}}
	}
	dec := json.NewDecoder(bytes.NewReader(data))
	dec.UseNumber()
	p := &treeParser{dec: dec}
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
		return nil, Issues{{"", CodeSyntax, "not a JSON document: " + err.Error(), "Send one JSON object, for example {\"jurisdiction\": \"AU-NSW\"}."}}
	}
	m, ok := v.(map[string]any)
	if !ok {
		return nil, Issues{{"", CodeWrongType, "the document must be a JSON object", "Send one JSON object, for example {\"jurisdiction\": \"AU-NSW\"}."}}
	}
	return m, nil
}

type treeParser struct {
	dec    *json.Decoder
	issues Issues
}

var errStop = errors.New("stopped")

func (p *treeParser) stop(ptr, code, msg, advice string) error {
	p.issues = append(p.issues, Issue{ptr, code, msg, advice})
	return errStop
}

func (p *treeParser) value(ptr string, depth int) (any, error) {
	if depth > MaxDepth {
		return nil, p.stop(ptr, CodeLimit, "nested too deep", "No field of a rig lies this deep.")
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
			at := ptr + "/" + escape(name)
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
