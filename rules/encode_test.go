package rules_test

import (
	"bytes"
	"encoding/json"
	"reflect"
	"testing"

	"pgregory.net/rapid"

	"drawgear/rules"
)

// fill draws a value for everything that a value holds.
func fill(t *rapid.T, v reflect.Value) {
	switch v.Kind() {
	case reflect.Struct:
		for i := range v.NumField() {
			fill(t, v.Field(i))
		}
	case reflect.Slice:
		switch n := rapid.IntRange(-1, 3).Draw(t, "length"); n {
		case -1: // none at all
		default:
			v.Set(reflect.MakeSlice(v.Type(), n, n))
			for i := range n {
				fill(t, v.Index(i))
			}
		}
	case reflect.String:
		v.SetString(rapid.OneOf(rapid.Just(""), rapid.StringN(0, 8, -1), rapid.SampledFrom([]string{
			"<b>&amp;</b>", "a\"b\\c", "line\nfeed\tand\x00", "\u2028\u2029", "\xff\xfe", "ä€😀", "\x7f",
		})).Draw(t, "text"))
	case reflect.Bool:
		v.SetBool(rapid.Bool().Draw(t, "truth"))
	case reflect.Int:
		v.SetInt(int64(rapid.Int().Draw(t, "number")))
	default:
		t.Fatalf("an answer holds a %s, which is not drawn here", v.Kind())
	}
}

// TestAppendJSON holds the writing of answers to encoding/json, byte for byte, for
// whatever an answer may hold.
func TestAppendJSON(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var a rules.Answer
		fill(t, reflect.ValueOf(&a).Elem())
		want, err := json.Marshal(&a)
		if err != nil {
			t.Fatal(err)
		}
		if got := a.AppendJSON([]byte("before")); !bytes.Equal(got, append([]byte("before"), want...)) {
			t.Fatalf("wrote %s\nwant  %s", got, want)
		}
		var m rules.Minimal
		fill(t, reflect.ValueOf(&m).Elem())
		if want, err = json.Marshal(&m); err != nil {
			t.Fatal(err)
		}
		if got := m.AppendJSON([]byte("before")); !bytes.Equal(got, append([]byte("before"), want...)) {
			t.Fatalf("in little it wrote %s\nwant  %s", got, want)
		}
	})
}
