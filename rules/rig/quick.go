package rig

import (
	"encoding/json"
	"strings"
	"unicode/utf8"
)

// quickly reads a document with which nothing is wrong, as ParseJSON reads it. If
// ok is false something may be wrong with it, and ParseJSON goes on to say what.
// Its texts share the memory of the document.
func quickly(data []byte, form Form) (v any, ok bool) {
	if !utf8.Valid(data) || !json.Valid(data) {
		return nil, false
	}
	q := &quick{text: string(data), deepest: form.Depth}
	v = q.value(0)
	return v, !q.odd
}

// quick walks through a text that is known to be JSON.
type quick struct {
	text    string
	at      int
	deepest int
	odd     bool // more than JSON says is asked of a document, and this one lacks it
}

func (q *quick) value(depth int) any {
	if depth > q.deepest {
		q.odd = true
	}
	if q.odd {
		return nil
	}
	switch c := q.next(); c {
	case '{':
		return q.object(depth)
	case '[':
		return q.list(depth)
	case '"':
		return q.string()
	case 't':
		q.at += len("true")
		return true
	case 'f':
		q.at += len("false")
		return false
	case 'n':
		q.at += len("null")
		return nil
	default:
		from := q.at
		for q.at < len(q.text) && strings.IndexByte("+-.0123456789eE", q.text[q.at]) >= 0 {
			q.at++
		}
		return json.Number(q.text[from:q.at])
	}
}

// next skips space and gives the byte that follows it.
func (q *quick) next() byte {
	for q.text[q.at] <= ' ' {
		q.at++
	}
	return q.text[q.at]
}

func (q *quick) object(depth int) map[string]any {
	m := map[string]any{}
	for q.more('}') {
		q.next()
		name := q.string()
		q.next() // the colon
		q.at++
		if _, twice := m[name]; twice {
			q.odd = true
		}
		if m[name] = q.value(depth + 1); q.odd {
			return nil
		}
	}
	return m
}

func (q *quick) list(depth int) []any {
	list := []any{}
	for q.more(']') {
		if len(list) > MaxParts {
			q.odd = true
		}
		if list = append(list, q.value(depth+1)); q.odd {
			return nil
		}
	}
	return list
}

// more steps over what opens, parts or closes the members, and reports whether one
// follows. It stands on the opening bracket, or behind a member.
func (q *quick) more(closing byte) bool {
	c := q.next()
	q.at++
	if c != ',' && c != closing && q.next() == closing { // nothing between the brackets
		q.at++
		return false
	}
	return c != closing
}

func (q *quick) string() string {
	from := q.at
	q.at++
	for escaped := false; ; q.at++ {
		switch q.text[q.at] {
		case '\\':
			escaped = true
			q.at++
		case '"':
			q.at++
			if !escaped {
				return q.text[from+1 : q.at-1]
			}
			var s string
			if json.Unmarshal([]byte(q.text[from:q.at]), &s) != nil {
				q.odd = true
			}
			return s
		}
	}
}
