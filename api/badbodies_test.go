package api_test

import (
	"net/http"
	"strings"
	"testing"

	"drawgear/openapi"
)

// TestBadBodies sends to every operation that writes what nobody should send:
// each is refused as a problem of the contract, none is a fault of ours, and
// nothing of anybody's has changed afterwards. Operations are taken from the
// contract, so that a new one is tried as well.
func TestBadBodies(t *testing.T) {
	eachStore(t, func(t *testing.T, st recordStore, url string) {
		n := newNeighbours(t, st, url)
		ops := n.operations()
		before := n.view(t)
		deep := strings.Repeat(`{"a":`, 500) + "1" + strings.Repeat("}", 500)
		sql, cel := `'; DROP TABLE assessments; --`, `true || [1].all(x, x > 0)`
		for name, body := range map[string]string{
			"nothing that is JSON": "{\"", "half a text": `{"jurisdiction":"ZZ`, "nested deep": deep, "a list": "[1,2]", "a number": "1e999",
			"too large": `{"a":"` + strings.Repeat("x", 2<<20) + `"}`, "not UTF-8": "{\"name\":\"\xff\"}", "twice": `{"name":"a","name":"b","reason":"a","reason":"b"}`,
			"SQL": `{"jurisdiction":"` + sql + `","name":"` + sql + `","scopes":["` + sql + `"]}`, "CEL": `{"jurisdiction":"` + cel + `","ruleset":"` + cel + `"}`,
			"aliases": "a: &a [x,x,x,x]\nb: &b [*a,*a,*a,*a]\nruleset: [*b,*b,*b,*b]\n",
		} {
			for _, op := range openapi.Operations() {
				if op.Method == http.MethodGet || op.Open || ops[op.ID].body == "" {
					continue
				}
				hs := append([]header{n.yard, anyTag}, ops[op.ID].headers...)
				if r := call(t, n.h, op.Method, ops[op.ID].target, body, hs...); r.Status < 400 || r.Status >= 500 {
					t.Errorf("%s of %s: %d %.200s", name, op.ID, r.Status, r.Body)
				}
				wrong := append([]header{n.yard, anyTag}, header{"Content-Type", "text/html"})
				if r := call(t, n.h, op.Method, ops[op.ID].target, ops[op.ID].body, wrong...); r.Status != http.StatusUnsupportedMediaType && r.Status != http.StatusConflict {
					t.Errorf("HTML for %s: %d %.200s", op.ID, r.Status, r.Body)
				}
			}
		}
		if after := n.view(t); after != before {
			t.Error("something changed")
		}
	})
}
