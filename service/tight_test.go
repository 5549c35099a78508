package service

import (
	"bytes"
	"encoding/json"
	"testing"
)

// FuzzAppendTight holds it to encoding/json.
func FuzzAppendTight(f *testing.F) {
	for _, seed := range []string{`{}`, " { \"a b\" : [ 1 ,\t\"\\\" \\\\\" , null ]\r\n} ", `"\\"`, `" "`, ` 1 `, `"\u0020 "`, `["a" , " \" "]`} {
		f.Add([]byte(seed))
	}
	f.Fuzz(func(t *testing.T, document []byte) {
		var want bytes.Buffer
		if json.Compact(&want, document) != nil {
			t.Skip("no JSON")
		}
		if got := appendTight([]byte("before"), document); string(got) != "before"+want.String() {
			t.Errorf("%q became %q, want %q", document, got, want.String())
		}
	})
}
