package service

import (
	"bytes"
	"encoding/json"
	"strconv"
)

// appendJSON appends the item as encoding/json writes it with HTML left as it is,
// to the byte. An audit writes one for every row.
func (it *AuditItem) appendJSON(b []byte) []byte {
	b = strconv.AppendInt(append(b, `{"row":`...), it.Row, 10)
	b = appendCount(b, `,"line":`, it.Line)
	b = appendGiven(b, `,"id":`, it.ID)
	b = appendGiven(b, `,"vehicle":`, it.Vehicle)
	b = appendGiven(b, `,"trailer":`, it.Trailer)
	b = appendGiven(b, `,"jurisdiction":`, it.Jurisdiction)
	b = appendGiven(b, `,"as_of":`, it.AsOf)
	b = appendText(append(b, `,"outcome":`...), string(it.Outcome))
	b = appendList(append(b, `,"failing":`...), it.Failing, appendText)
	b = appendList(append(b, `,"missing":`...), it.Missing, appendText)
	b = appendList(append(b, `,"parts":`...), it.Parts, appendPart)
	if len(it.Faults) > 0 {
		b = appendList(append(b, `,"faults":`...), it.Faults, appendFault)
	}
	b = appendGiven(b, `,"before":`, string(it.Before))
	if len(it.Appearing) > 0 {
		b = appendList(append(b, `,"appearing":`...), it.Appearing, appendText)
	}
	if len(it.Disappearing) > 0 {
		b = appendList(append(b, `,"disappearing":`...), it.Disappearing, appendText)
	}
	if it.Moved {
		b = append(b, `,"moved":true`...)
	}
	return append(b, '}')
}

func appendPart(b []byte, p PartNeed) []byte {
	b = appendText(append(b, `{"role":`...), p.Role)
	b = appendGiven(b, `,"needs":`, p.Needs)
	b = appendGiven(b, `,"has":`, p.Has)
	if p.Offer != nil {
		b = appendText(append(b, `,"offer":{"id":`...), p.Offer.ID)
		b = appendText(append(b, `,"price":`...), p.Offer.Price)
		b = append(appendText(append(b, `,"currency":`...), p.Offer.Currency), '}')
	}
	return append(b, '}')
}

func appendFault(b []byte, f AuditFault) []byte {
	open := len(b)
	b = appendCount(b, `,"line":`, f.Line)
	b = appendCount(b, `,"column":`, f.Column)
	b = appendGiven(b, `,"name":`, f.Name)
	b = appendGiven(b, `,"pointer":`, f.Pointer)
	b = appendText(append(b, `,"message":`...), f.Message)
	b = appendGiven(b, `,"advice":`, f.Advice)
	b[open] = '{' // in place of the first comma
	return append(b, '}')
}

func appendList[T any](b []byte, list []T, one func([]byte, T) []byte) []byte {
	if list == nil {
		return append(b, "null"...)
	}
	b = append(b, '[')
	for i, x := range list {
		if i > 0 {
			b = append(b, ',')
		}
		b = one(b, x)
	}
	return append(b, ']')
}

// appendCount appends a number under a key, unless it is zero.
func appendCount(b []byte, key string, n int) []byte {
	if n == 0 {
		return b
	}
	return strconv.AppendInt(append(b, key...), int64(n), 10)
}

// appendGiven appends a text under a key, unless it is empty.
func appendGiven(b []byte, key, s string) []byte {
	if s == "" {
		return b
	}
	return appendText(append(b, key...), s)
}

// appendText appends a JSON string. What does not stand for itself is left to
// encoding/json.
func appendText(b []byte, s string) []byte {
	for i := range len(s) {
		if c := s[i]; c < ' ' || c > '~' || c == '"' || c == '\\' {
			var out bytes.Buffer
			enc := json.NewEncoder(&out)
			enc.SetEscapeHTML(false)
			if err := enc.Encode(s); err != nil {
				panic(err) // a string can always be written
			}
			return append(b, bytes.TrimSuffix(out.Bytes(), []byte("\n"))...)
		}
	}
	b = append(append(b, '"'), s...)
	return append(b, '"')
}
