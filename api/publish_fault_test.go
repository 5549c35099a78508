package api_test

import (
	"bytes"
	"fmt"
	"net/http"
	"strings"
	"sync"
	"testing"
	"time"

	"go.uber.org/goleak"

	"drawgear/db/pgtest"
	"drawgear/openapi/openapitest"
)

// TestPublishAtOnce: two replicas are told at the same time to publish one
// version, and then each another ruleset. One version is published once, two
// rulesets both; and both replicas come to answer by all of it.
func TestPublishAtOnce(t *testing.T) {
	database := pgtest.New(t)
	before := goleak.IgnoreCurrent()
	t.Cleanup(func() { // when the replicas have ended
		if err := goleak.Find(before); err != nil {
			t.Error(err)
		}
	})
	pair, yard := newPair(t, database, newSigner(t))
	approver := pair[0].tenant(t, saltmarshYard, "Saltmarsh Yard")
	approved := func(document string) (path string, tag header) {
		r := wantStatus(t, "draft", call(t, pair[0].h, "POST", "/v1/rulesets", document, yard, asYAML), 201)
		path = r.Header.Get("Location")
		return path, match(wantStatus(t, "approve", call(t, pair[1].h, "POST", path+"/approve", "", approver, match(r)), 200))
	}
	atOnce := func(do func(i int) openapitest.Reply) (got [2]openapitest.Reply) {
		var ready, done sync.WaitGroup
		ready.Add(2)
		for i := range got {
			done.Go(func() {
				ready.Done()
				ready.Wait()
				got[i] = do(i)
			})
		}
		done.Wait()
		return got
	}
	answers := func(what string) {
		for i, r := range pair {
			within(t, time.Minute, fmt.Sprintf("replica %d answers by %s", i, what), func() bool {
				return bytes.Contains(wantStatus(t, "assess", call(t, r.h, "POST", "/v1/assessments?record=false", yardRig, yard), 200).Body, []byte(what))
			})
		}
	}
	rounds := fromEnvironment(t, "DRAWGEAR_FAULT_ROUNDS", 5)
	if testing.Short() {
		rounds = min(rounds, 2)
	}
	for round := range rounds {
		name := fmt.Sprintf("house-round%d", round)
		rename := func(suffix string) string {
			return strings.NewReplacer("house-yard", name+suffix, "house.brakes", fmt.Sprintf("house.brakes%d%s", round, suffix)).Replace(yardRules)
		}
		path, tag := approved(rename(""))
		published := 0
		for i, r := range atOnce(func(i int) openapitest.Reply { return call(t, pair[i].h, "POST", path+"/publish", "", approver, tag) }) {
			switch r.Status {
			case http.StatusOK:
				published++
			case http.StatusConflict, http.StatusPreconditionFailed:
			default:
				t.Errorf("replica %d: %d %s", i, r.Status, r.Body)
			}
		}
		if published != 1 {
			t.Errorf("one version is published %d times", published)
		}
		answers(name)

		var paths [2]string
		var tags [2]header
		for i, suffix := range []string{"a", "b"} {
			paths[i], tags[i] = approved(rename(suffix))
		}
		for i, r := range atOnce(func(i int) openapitest.Reply {
			return call(t, pair[i].h, "POST", paths[i]+"/publish", "", approver, tags[i])
		}) {
			wantStatus(t, fmt.Sprintf("ruleset %d of two", i), r, 200)
		}
		answers(name + "a")
		answers(name + "b")
	}
}
