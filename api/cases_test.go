package api_test

import (
	"bytes"
	"encoding/json"
	"testing"

	"drawgear/db/memory"
	"drawgear/rules"
	"drawgear/rules/cases"
	"drawgear/service"
	"drawgear/testdata"
)

// TestBoundaryCases sends every boundary case, each with its published source,
// over HTTP, and asks the service and the rules the same: the answer must be
// the expected one, and the three must agree to the byte.
func TestBoundaryCases(t *testing.T) {
	checks, err := cases.Load(testdata.Cases, "cases/*.yaml")
	if err != nil {
		t.Fatal(err)
	}
	b, h := book(t), newServer(t)
	s := service.New(b, memory.New(0), clock)
	for _, c := range checks {
		document, err := json.Marshal(c.Document())
		if err != nil {
			t.Fatal(err)
		}
		answer, err := c.Assess(b)
		if err != nil {
			t.Error(err)
			continue
		}
		byRules, err := json.Marshal(answer)
		if err != nil {
			t.Fatal(err)
		}
		byService, err := s.Assess(t.Context(), document, false)
		if err != nil {
			t.Errorf("%s: the service: %v", c.Name, err)
			continue
		}
		reply := call(t, h, "POST", "/v1/assessments?record=false", string(document)).Body
		var byHTTP struct{ Answer json.RawMessage }
		if err := json.Unmarshal(reply, &byHTTP); err != nil {
			t.Errorf("%s: %v in %s", c.Name, err, reply)
			continue
		}
		if !bytes.Equal(byRules, byService.Answer) || !bytes.Equal(byRules, byHTTP.Answer) {
			t.Errorf("%s: rules, service and HTTP differ", c.Name)
		}
		var read rules.Answer
		if err := json.Unmarshal(byHTTP.Answer, &read); err != nil {
			t.Fatal(err)
		}
		for _, d := range c.Compare(&read) {
			t.Errorf("%s (%s): %s", c.Name, c.Jurisdiction, d)
		}
	}
}
