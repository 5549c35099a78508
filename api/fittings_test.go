package api_test

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"net/http"
	"reflect"
	"slices"
	"strings"
	"sync"
	"testing"

	"golang.org/x/mod/sumdb/note"

	"drawgear/api"
	"drawgear/api/page"
	"drawgear/db/memory"
	"drawgear/openapi/openapitest"
	"drawgear/rules/circuit"
	"drawgear/rules/fitting"
	"drawgear/service"
)

// floatRig is a two-horse float with electric brakes; the yard has nothing to
// work them yet.
const floatRig = `{"jurisdiction":"ZZ","as_of":"2026-11-25",` +
	`"vehicle":{"electrical":{"voltage":"12 V","stop_signal":"switched"},"connector":"as4177.5-flat7"},` +
	`"trailer":{"axle_count":2,"purpose":"livestock","rated":{"total":"2400 kg","axles":"2200 kg"},"tare":"613 kg",` +
	`"brakes":{"kind":"electric","braked_axles":2,"magnets":4,"operable_from_cab":true},"breakaway":{"kind":"none"},"parking_brake":true,"connector":"as4177.5-flat7"}}`

// floatRequest is what the fitter tells beside it: 18 m of 16 mm2 from the battery
// to the first axle.
const floatRequest = `"actuator":{"kind":"magnets","resistance":"3.2 ohm","resistance_most":"3.8 ohm","rated_voltage":"12 V"},` +
	`"wiring":{"supply":"13.6 V","feed":{"length":"6 m","conductor":"16 mm2"},"output":{"length":"6 m","conductor":"16 mm2"},"trunk":{"length":"6 m","conductor":"16 mm2"},` +
	`"axles":[{"lead":"1 m","magnets":2},{"jumper":"1 m","lead":"1 m","magnets":2}],"ambient":"40 degC","return":"conductor",` +
	`"fed_from":"battery","protected_at":"0.2 m","earth_at":"battery_negative"},` +
	`"controller":{"maximum_current":"20 A","axles_served":2,"principle":"proportional_to_deceleration","manual_override":true,` +
	`"override_lights_stop":true,"adjustable_from_seat":true,"supply_least":"9 V","supply_most":"16 V"}`

const yardFitting = `{"rig":` + floatRig + `,` + floatRequest + `}`

var valleyFitting = strings.Replace(yardFitting, "613 kg", "617 kg", 1)

// floatReadings are those of a healthy job. By hand: four magnets of 3.5 ohm are
// 0.88 ohm; 36 m of 16 mm2 copper (IEC 60228: at most 1.21 mohm a metre) and the
// leads about 0.07 ohm; 13.6 V over 0.95 ohm is 14.4 A, half of it an axle, and
// the magnets get 0.88 / 0.95 of 13.6 V.
const floatReadings = `{"polarity":"correct","supply_rest":"13.6 V","supply_loaded":"13.4 V","insulation":"2000000 ohm","bank_resistance":"0.9 ohm",` +
	`"stop_released":"0 V","stop_pressed":"13.4 V","stop_flashing":"0 V","output_idle":"0 V","output_lamps":"0 V","output_flashing":"0.1 V",` +
	`"output":[{"demand":"100 %","socket":"13 V"}],"axle_currents":["7.2 A","7.2 A"],"magnet_voltage":"12.6 V","feed_drop":"0.3 V","return_drop":"0.4 V",` +
	`"override_works":true,"mechanical":{"wheels_free":true,"wheels_braked":true,"parking_holds":true},` +
	`"road":[{"speed":"30 km/h","surface":"dry_sealed","laden":true,"distance":"7 m","pull":"none","wheel_lock":false}]}`

const signature = `{"job":{"reference":"SY-114","title":"Electric brakes of a horse float"},` +
	`"parts":[{"role":"controller","description":"Brake controller","rating":"20 A","batch":"B2611","serial":"000417"},{"role":"cable"}],` +
	`"sign_off":{"name":"A. Fitter","licence":"MVRL 00000"}}`

// ttLaw asks no brakes of a light trailer.
const ttLaw = `ruleset: tt-light-trailers
version: 1
title: Light trailers in Tt
jurisdiction: TT
effective: {from: 2014-07-01}
reviewed: 2026-11-25
sources:
  - {id: tt-code, title: Code, publisher: State of Tt, published: undated, kind: regulation, checked: {how: text, on: 2026-11-25}}
rules:
  - id: tt.brakes.light
    says: Up to 750 kg a trailer needs no brakes.
    when: trailer.rated.axles <= kg(750)
    oblige: {service_brakes: {required: false}}
    cite: {source: tt-code, clause: "1", how: text, confidence: high}
  - id: tt.brakes.heavy
    says: Over 750 kg every trailer is braked.
    when: trailer.rated.axles > kg(750)
    oblige: {service_brakes: {required: true}}
    cite: {source: tt-code, clause: "1", how: text, confidence: high}
  - id: tt.breakaway
    says: Nothing is asked of the breakaway device.
    oblige: {breakaway: {required: false}, parking_brake: {required: false}}
    cite: {source: tt-code, clause: "2", how: text, confidence: high}
`

// mowerFitting is a job without anything electrical: the coupling of a mower on
// wheels was renewed.
const mowerFitting = `{"rig":{"jurisdiction":"TT","as_of":"2026-11-25","trailer":{"purpose":"special","rated":{"axles":"700 kg","total":"740 kg"},` +
	`"brakes":{"kind":"none"},"breakaway":{"kind":"none"},"parking_brake":false}}}`

func fit(t testing.TB, r openapitest.Reply) service.Fitting {
	t.Helper()
	return decode[service.Fitting](t, r)
}

func judgement(t testing.TB, f service.Fitting) fitting.Judgement {
	t.Helper()
	var j fitting.Judgement
	if err := json.Unmarshal(f.Proofs[len(f.Proofs)-1].Judgement, &j); err != nil {
		t.Fatal(err)
	}
	return j
}

// TestFittings takes two jobs from the plan to the record, and checks the record
// with nothing but the key of the log.
func TestFittings(t *testing.T) {
	eachStore(t, func(t *testing.T, st recordStore, _ string) {
		signer := newSigner(t)
		n := newReplica(t, st, signer, ttLaw)
		yard, tarn := n.tenant(t, saltmarshYard, "Saltmarsh Yard"), n.tenant(t, tarnValley, "Tarn Valley")
		t.Run("float", func(t *testing.T) { floatJob(t, n, yard) })
		t.Run("mower", func(t *testing.T) { mowerJob(t, n, tarn) })
		verifier, err := note.NewVerifier(service.VerifierKey(signer))
		if err != nil {
			t.Fatal(err)
		}
		for key, want := range map[header]int{yard: 5, tarn: 2} {
			for _, f := range decode[service.Page[service.FittingSummary]](t, call(t, n.h, "GET", "/v1/fittings", "", key)).Items {
				proofs := decode[service.All[service.Proof]](t, wantStatus(t, "log", call(t, n.h, "GET", "/v1/fittings/"+f.ID+"/log", "", key), 200)).Items
				if len(proofs) != f.Revision {
					t.Errorf("%d proofs of %d entries", len(proofs), f.Revision)
				}
				for _, p := range proofs {
					if err := p.Verify(verifier); err != nil {
						t.Errorf("%s: %v", p.ID, err)
					}
				}
			}
			file := wantStatus(t, "export", call(t, n.h, "GET", "/v1/log/export", "", key), 200).Body
			if v, err := service.VerifyExport(bytes.NewReader(file), verifier); err != nil || v.Records != want || v.Bare != 0 {
				t.Errorf("the export holds %+v (%v), want %d records", v, err, want)
			}
			for _, forged := range []struct{ old, new string }{{`\"polarity\":\"correct\"`, `\"polarity\":\"reversed\"`}, {`"state":"signed"`, `"state":"proven"`}, {"A. Fitter", "B. Fitter"}} {
				changed := bytes.Replace(file, []byte(forged.old), []byte(forged.new), 1)
				if _, err := service.VerifyExport(bytes.NewReader(changed), verifier); err == nil && !bytes.Equal(changed, file) {
					t.Errorf("an export with %s for %s verifies", forged.new, forged.old)
				}
			}
		}
	})
}

func floatJob(t *testing.T, n replica, key header) {
	kept := wantStatus(t, "assess", call(t, n.h, "POST", "/v1/assessments", floatRig, key), 201)
	assessment := decode[service.Assessment](t, kept).ID

	// Asked without keeping, from the rig itself, it is the same plan.
	loose := fit(t, wantStatus(t, "plan", call(t, n.h, "POST", "/v1/fittings?record=false", yardFitting, key), 200))
	created := wantStatus(t, "fitting", call(t, n.h, "POST", "/v1/fittings", `{"assessment":"`+assessment+`",`+floatRequest+`}`, key), 201)
	f := fit(t, created)
	address := "/v1/fittings/" + f.ID
	if created.Header.Get("Location") != address || created.Header.Get("ETag") != `"1"` || f.State != "planned" || f.Revision != 1 || f.Assessment != assessment {
		t.Errorf("created as %+v, headers %v", f, created.Header)
	}
	if loose.ID != "" || loose.PlanSHA256 != f.PlanSHA256 || loose.State != "" || loose.Revision != 0 || !loose.CreatedAt.IsZero() {
		t.Errorf("without keeping it is %+v", loose)
	}
	if string(f.Rig) != floatRig || string(f.Request) == "{}" || f.AsOf != "2026-11-25" || f.Jurisdiction != "ZZ" {
		t.Errorf("planned from %s and %s", f.Rig, f.Request)
	}
	if f.PlanSHA256 != sum(f.Plan) {
		t.Errorf("the digest of the plan is %s, and it says %s", sum(f.Plan), f.PlanSHA256)
	}
	if page := decode[service.Page[service.FittingSummary]](t, call(t, n.h, "GET", "/v1/fittings?state=planned", "", key)); len(page.Items) != 1 || page.Items[0].ID != f.ID {
		t.Errorf("listed are %+v", page)
	}

	// Not yet.
	refused := wantProblem(t, "sign-off of a plan", call(t, n.h, "POST", address+"/sign-off", signature, key, match(created)), 409, "not-proven")
	if len(refused.Errors) < 10 || !strings.Contains(fmt.Sprint(refused.Errors), "polarity") {
		t.Errorf("what is open: %+v", refused.Errors)
	}
	draft := decode[service.FittingHandover](t, wantStatus(t, "draft", call(t, n.h, "GET", address+"/record", "", key), 200))
	if draft.State != "planned" || draft.SHA256 != sum(draft.Handover) {
		t.Errorf("the draft is %+v", draft)
	}

	// A fault is found, and mended.
	off := wantStatus(t, "proof", call(t, n.h, "POST", address+"/proofs", strings.Replace(floatReadings, "correct", "reversed", 1), key), 201)
	f = fit(t, off)
	if j := judgement(t, f); f.State != "open" || j.Proven || !slices.Equal(j.Failed, []string{"polarity"}) {
		t.Errorf("with the wires swapped it is %s, failed %v, open %v", f.State, j.Failed, j.Open)
	}
	wantProblem(t, "sign-off of an open job", call(t, n.h, "POST", address+"/sign-off", signature, key, match(off)), 409, "not-proven")
	proven := wantStatus(t, "proof", call(t, n.h, "POST", address+"/proofs", `{"polarity":"correct","mechanical":{"wheels_free":true}}`, key, match(off)), 201)
	f = fit(t, proven)
	if j := judgement(t, f); f.State != "proven" || !j.Proven || len(j.Open)+len(j.Failed) != 0 || len(f.Proofs) != 2 || f.Proofs[0].State != "open" {
		t.Errorf("mended it is %s, failed %v, open %v", f.State, j.Failed, j.Open)
	}
	if string(f.Proofs[1].Measured) != `{"polarity":"correct","mechanical":{"wheels_free":true}}` || f.Proofs[1].By == "" {
		t.Errorf("measured is %s by %q", f.Proofs[1].Measured, f.Proofs[1].By)
	}

	// Signed by who saw it as it is.
	wantProblem(t, "without a tag", call(t, n.h, "POST", address+"/sign-off", signature, key), 428, "precondition-required")
	wantProblem(t, "with an old tag", call(t, n.h, "POST", address+"/sign-off", signature, key, match(off)), 412, "stale")
	signed := wantStatus(t, "sign-off", call(t, n.h, "POST", address+"/sign-off", signature, key, match(proven)), 200)
	f = fit(t, signed)
	if f.State != "signed" || f.Revision != 4 || f.SignOff == nil || f.SignOff.Revision != 4 {
		t.Fatalf("signed it is %+v", f)
	}
	for name, r := range map[string]openapitest.Reply{
		"proof":            call(t, n.h, "POST", address+"/proofs", floatReadings, key),
		"proof with a tag": call(t, n.h, "POST", address+"/proofs", floatReadings, key, match(signed)),
		"sign-off":         call(t, n.h, "POST", address+"/sign-off", signature, key, match(signed)),
		"any tag":          call(t, n.h, "POST", address+"/sign-off", signature, key, anyTag),
	} {
		wantProblem(t, name+" after the signature", r, 409, "fitting-signed")
	}
	if again := wantStatus(t, "read", call(t, n.h, "GET", address, "", key), 200); !bytes.Equal(again.Body, signed.Body) || match(again) != match(signed) {
		t.Errorf("it reads as %s, was %s", again.Body, signed.Body)
	}

	// What is handed over.
	record := decode[service.FittingHandover](t, wantStatus(t, "record", call(t, n.h, "GET", address+"/record", "", key), 200))
	var h fitting.Handover
	if err := json.Unmarshal(record.Handover, &h); err != nil {
		t.Fatal(err)
	}
	if record.SHA256 != sum(record.Handover) || record.SHA256 != f.SignOff.RecordSHA256 || record.State != "signed" {
		t.Errorf("the record is %+v", record)
	}
	if !h.Proven || !h.Signed || h.SignOff.Name != "A. Fitter" || h.SignOff.On == "" || len(h.Parts) != 2 || h.Job.Reference != "SY-114" || !slices.Equal(h.Untraced, []string{"cable"}) {
		t.Errorf("it says %+v", h)
	}
	if again := decode[service.FittingReplay](t, wantStatus(t, "replay", call(t, n.h, "POST", address+"/replay", "", key), 200)); !again.Same || len(again.Entries) != 4 || !bytes.Equal(again.Plan, f.Plan) {
		t.Errorf("replayed it is %+v", again.Entries)
	}
	printed(t, n, key, address)
}

func mowerJob(t *testing.T, n replica, key header) {
	created := wantStatus(t, "fitting", call(t, n.h, "POST", "/v1/fittings", mowerFitting, key), 201)
	f := fit(t, created)
	var p fitting.Plan
	if err := json.Unmarshal(f.Plan, &p); err != nil {
		t.Fatal(err)
	}
	if p.Electrical.Needed != "no" {
		t.Fatalf("something electrical is needed: %+v", p.Electrical)
	}
	if slices.ContainsFunc(f.Expects, func(e fitting.Expectation) bool { return e.Required }) {
		t.Fatalf("something has to be proven: %+v", f.Expects)
	}
	signed := wantStatus(t, "sign-off", call(t, n.h, "POST", created.Header.Get("Location")+"/sign-off", `{"sign_off":{"name":"B. Fitter","licence":"none needed","on":"2026-11-24"}}`, key, match(created)), 200)
	if got := fit(t, signed); got.State != "signed" || !strings.Contains(string(got.SignOff.Record), `"on":"2026-11-24"`) {
		t.Errorf("signed it is %+v", got)
	}
	printed(t, n, key, created.Header.Get("Location"))
}

func sum(b []byte) string {
	s := sha256.Sum256(b)
	return hex.EncodeToString(s[:])
}

// printed looks at the record on paper.
func printed(t *testing.T, n replica, key header, address string) {
	t.Helper()
	id := strings.TrimPrefix(address, "/v1/fittings/")
	for _, paper := range []struct {
		query string
		paper page.Paper
	}{{"", page.A4}, {"?paper=a4", page.A4}, {"?paper=letter", page.Letter}} {
		r := wantStatus(t, "HTML", call(t, n.h, "GET", address+"/record"+paper.query, "", key, header{"Accept", "text/html,application/xhtml+xml,*/*;q=0.8"}), 200)
		if got := r.Header.Get("Content-Security-Policy"); got != page.ContentSecurityPolicy(paper.paper) || strings.Contains(got, "unsafe") || !strings.Contains(got, "default-src 'none'") {
			t.Errorf("the policy is %q", got)
		}
		if kind := r.Header.Get("Content-Type"); kind != "text/html; charset=utf-8" || r.Header.Get("Vary") != "Accept" {
			t.Errorf("it is %s, varies by %q", kind, r.Header.Get("Vary"))
		}
		if !bytes.Contains(r.Body, []byte(id)) || bytes.Contains(r.Body, []byte("<script")) {
			t.Errorf("the page: %.300s", r.Body)
		}
		pdf := wantStatus(t, "PDF", call(t, n.h, "GET", address+"/record"+paper.query, "", key, header{"Accept", "application/pdf"}), 200)
		if !bytes.HasPrefix(pdf.Body, []byte("%PDF-")) || pdf.Header.Get("Content-Type") != "application/pdf" {
			t.Errorf("the PDF: %.40q as %s", pdf.Body, pdf.Header.Get("Content-Type"))
		}
		again := call(t, n.h, "GET", address+"/record"+paper.query, "", key, header{"Accept", "application/pdf"})
		if !bytes.Equal(again.Body, pdf.Body) {
			t.Error("printed again it has other bytes")
		}
	}
	wantProblem(t, "another kind", call(t, n.h, "GET", address+"/record", "", key, header{"Accept", "image/png"}), 406, "not-acceptable")
	wantProblem(t, "another paper", call(t, n.h, "GET", address+"/record?paper=a3", "", key), 400, "bad-query")
}

// TestFittingOnce: a request that is repeated with its key does nothing twice.
func TestFittingOnce(t *testing.T) {
	eachStore(t, func(t *testing.T, st recordStore, _ string) {
		n := newReplica(t, st, newSigner(t))
		key := n.tenant(t, saltmarshYard, "Saltmarsh Yard")
		twice := func(what, target, body string, status int, hs ...header) openapitest.Reply {
			t.Helper()
			hs = append(hs, key, onceKey(what))
			first := wantStatus(t, what, call(t, n.h, "POST", target, body, hs...), status)
			again := wantStatus(t, what, call(t, n.h, "POST", target, body, hs...), status)
			if !bytes.Equal(first.Body, again.Body) || match(first) != match(again) || first.Header.Get("Location") != again.Header.Get("Location") || again.Header.Get("Idempotency-Replayed") != "true" {
				t.Errorf("%s: repeated it is %s, was %s", what, again.Body, first.Body)
			}
			return first
		}
		created := twice("plan", "/v1/fittings", yardFitting, 201)
		address := created.Header.Get("Location")
		wantProblem(t, "the key for another request", call(t, n.h, "POST", "/v1/fittings", valleyFitting, key, onceKey("plan")), 422, "idempotency-key-reused")
		proven := twice("proof", address+"/proofs", floatReadings, 201)
		// A refusal is not kept.
		wantProblem(t, "a bad signature", call(t, n.h, "POST", address+"/sign-off", `{}`, key, match(proven), onceKey("signature")), 422, "invalid-body")
		twice("signature", address+"/sign-off", signature, 200, match(proven))
		if got := fit(t, call(t, n.h, "GET", address, "", key)); got.Revision != 3 || len(got.Proofs) != 1 {
			t.Errorf("in the end it is %+v", got)
		}
		if items := decode[service.Page[service.FittingSummary]](t, call(t, n.h, "GET", "/v1/fittings", "", key)).Items; len(items) != 1 {
			t.Errorf("%d fittings are kept", len(items))
		}
		if head := decode[service.Head](t, call(t, n.h, "GET", "/v1/log", "", key)); head.Size != 3 {
			t.Errorf("the log has %d entries, want 3", head.Size)
		}
	})
}

// TestProofsAtOnce: all that is measured at once counts, and of those who name
// what they saw one is taken.
func TestProofsAtOnce(t *testing.T) {
	eachStore(t, func(t *testing.T, st recordStore, _ string) {
		n := newReplica(t, st, newSigner(t))
		key := n.tenant(t, saltmarshYard, "Saltmarsh Yard")
		created := wantStatus(t, "fitting", call(t, n.h, "POST", "/v1/fittings", yardFitting, key), 201)
		address := created.Header.Get("Location")
		readings := []string{
			`{"polarity":"correct"}`, `{"supply_rest":"13.6 V"}`, `{"insulation":"2000000 ohm"}`, `{"stop_released":"0 V"}`,
			`{"mechanical":{"wheels_free":true}}`, `{"mechanical":{"wheels_braked":true}}`, `{"mechanical":{"parking_holds":true}}`, `{"override_works":true}`,
		}
		all := func(hs ...header) (statuses []int) {
			var mu sync.Mutex
			var wg sync.WaitGroup
			for i, body := range readings {
				wg.Go(func() {
					own := slices.Clone(hs)
					if i%2 == 0 { // in a step of its own
						own = append(own, onceKey(fmt.Sprintf("proof-%d-%d", i, len(hs))))
					}
					r := call(t, n.h, "POST", address+"/proofs", body, append(own, key)...)
					mu.Lock()
					defer mu.Unlock()
					statuses = append(statuses, r.Status)
				})
			}
			wg.Wait()
			slices.Sort(statuses)
			return statuses
		}
		if got, want := all(), slices.Repeat([]int{201}, len(readings)); !slices.Equal(got, want) {
			t.Errorf("without a tag: %v", got)
		}
		f := fit(t, call(t, n.h, "GET", address, "", key))
		if f.Revision != 1+len(readings) || len(f.Proofs) != len(readings) {
			t.Errorf("%d proofs are there at revision %d", len(f.Proofs), f.Revision)
		}
		// The last judgement has seen them all.
		open := judgement(t, f).Open
		for _, id := range []string{"polarity", "supply_rest", "insulation", "stop_released", "mechanical/wheels_free", "mechanical/wheels_braked", "mechanical/parking_holds", "override_works"} {
			if slices.Contains(open, id) {
				t.Errorf("%s is still open", id)
			}
		}
		tag := header{"If-Match", f.ETag()}
		if got, want := all(tag), append([]int{201}, slices.Repeat([]int{412}, len(readings)-1)...); !slices.Equal(got, want) {
			t.Errorf("with one tag: %v", got)
		}
	})
}

// TestFittingRefusals: what is wrong with a request is told by its place.
func TestFittingRefusals(t *testing.T) {
	n := newReplica(t, memory.New(0), newSigner(t))
	key := n.tenant(t, saltmarshYard, "Saltmarsh Yard")
	address := wantStatus(t, "fitting", call(t, n.h, "POST", "/v1/fittings", yardFitting, key), 201).Header.Get("Location")
	none := strings.Repeat("A", 26)
	for name, tt := range map[string]struct {
		target, body string
		status       int
		kind         string
		pointers     string
	}{
		"nothing":               {"/v1/fittings", `{}`, 422, "invalid-body", "[]"},
		"both":                  {"/v1/fittings", `{"rig":` + floatRig + `,"assessment":"` + none + `"}`, 422, "invalid-body", "[/assessment /rig]"},
		"unknown assessment":    {"/v1/fittings", `{"assessment":"` + none + `"}`, 422, "invalid-body", "[/assessment]"},
		"no place":              {"/v1/fittings", `{"rig":{}}`, 422, "invalid-rig", "[/rig/jurisdiction]"},
		"unknown place":         {"/v1/fittings", `{"rig":{"jurisdiction":"QQ"}}`, 422, "unknown-jurisdiction", "[]"},
		"bad rig":               {"/v1/fittings", `{"rig":{"jurisdiction":"ZZ","trailer":{"tare":"12 m"}}}`, 422, "invalid-rig", "[/rig/trailer/tare]"},
		"bad wiring":            {"/v1/fittings", `{"rig":` + floatRig + `,"wiring":{"feed":{"length":"6 kg"},"out":1}}`, 422, "invalid-body", "[/wiring/feed/length /wiring/out]"},
		"unknown name":          {"/v1/fittings", `{"rig":` + floatRig + `,"colour":"red"}`, 422, "invalid-body", "[/colour]"},
		"a name twice":          {"/v1/fittings", `{"rig":` + floatRig + `,"wiring":{},"wiring":{}}`, 422, "invalid-body", "[/wiring]"},
		"a name twice within":   {"/v1/fittings", `{"rig":` + floatRig + `,"wiring":{"supply":"12 V","supply":"13 V"}}`, 422, "invalid-body", "[/wiring/supply]"},
		"twice in the rig":      {"/v1/fittings", `{"rig":{"jurisdiction":"ZZ","jurisdiction":"TT"}}`, 422, "invalid-rig", "[/rig/jurisdiction]"},
		"null":                  {"/v1/fittings", `{"rig":null}`, 422, "invalid-body", "[/rig]"},
		"no JSON":               {"/v1/fittings", `{"rig":`, 400, "malformed-json", "[]"},
		"a list":                {"/v1/fittings", `[]`, 422, "invalid-body", "[]"},
		"no reading":            {address + "/proofs", ` { } `, 422, "invalid-body", "[]"},
		"bad reading":           {address + "/proofs", `{"supply_rest":"13.6 A","polarity":"odd"}`, 422, "invalid-body", "[/polarity /supply_rest]"},
		"no JSON of readings":   {address + "/proofs", `{`, 400, "malformed-json", "[]"},
		"proof of nothing":      {"/v1/fittings/" + none + "/proofs", floatReadings, 404, "not-found", "[]"},
		"no such id":            {"/v1/fittings/x/proofs", floatReadings, 404, "not-found", "[]"},
		"no name, no licence":   {address + "/sign-off", `{"parts":[]}`, 422, "invalid-body", "[/sign_off/licence /sign_off/name]"},
		"blank name":            {address + "/sign-off", `{"sign_off":{"name":" ","licence":"x"}}`, 422, "invalid-body", "[/sign_off/name]"},
		"bad day":               {address + "/sign-off", `{"sign_off":{"name":"A","licence":"x","on":"yesterday"}}`, 422, "invalid-body", "[/sign_off/on]"},
		"ended before it began": {address + "/sign-off", `{"job":{"began":"2026-11-25","ended":"2026-11-24"},"sign_off":{"name":"A","licence":"x"}}`, 422, "invalid-body", "[/job/began /job/ended]"},
		"signature of nothing":  {"/v1/fittings/" + none + "/sign-off", signature, 404, "not-found", "[]"},
	} {
		t.Run(name, func(t *testing.T) {
			p := wantProblem(t, name, call(t, n.h, "POST", tt.target, tt.body, key, anyTag), tt.status, tt.kind)
			pointers := []string{}
			for _, e := range p.Errors {
				if e.Pointer != nil && *e.Pointer != "" {
					pointers = append(pointers, *e.Pointer)
				}
			}
			slices.Sort(pointers)
			if got := fmt.Sprint(pointers); got != tt.pointers || p.Advice == "" {
				t.Errorf("told of %s, want %s: %+v", got, tt.pointers, p)
			}
		})
	}
	if f := fit(t, call(t, n.h, "GET", address, "", key)); f.Revision != 1 {
		t.Errorf("after all that it has revision %d", f.Revision)
	}
}

// TestFittingPages goes through the list a page at a time.
func TestFittingPages(t *testing.T) {
	n := newReplica(t, memory.New(0), newSigner(t))
	key := n.tenant(t, saltmarshYard, "Saltmarsh Yard")
	var want []string
	for range 5 {
		want = append(want, fit(t, wantStatus(t, "fitting", call(t, n.h, "POST", "/v1/fittings", `{"rig":`+light+`}`, key), 201)).ID)
	}
	slices.Reverse(want)
	var got []string
	for target := "/v1/fittings?limit=2"; target != ""; {
		p := decode[service.Page[service.FittingSummary]](t, wantStatus(t, "list", call(t, n.h, "GET", target, "", key), 200))
		for _, f := range p.Items {
			got = append(got, f.ID)
		}
		if target = ""; p.Next != "" {
			target = "/v1/fittings?limit=2&cursor=" + p.Next
		}
	}
	if !slices.Equal(got, want) {
		t.Errorf("listed are %v, want %v", got, want)
	}
	if p := decode[service.Page[service.FittingSummary]](t, call(t, n.h, "GET", "/v1/fittings?state=signed", "", key)); len(p.Items) != 0 {
		t.Errorf("signed are %v", p.Items)
	}
	wantProblem(t, "another state", call(t, n.h, "GET", "/v1/fittings?state=done", "", key), 400, "bad-query")
	wantProblem(t, "another cursor", call(t, n.h, "GET", "/v1/fittings?cursor=x", "", key), 400, "bad-query")
}

// TestFittingTrouble: what goes wrong in the store is told without its inside.
func TestFittingTrouble(t *testing.T) {
	h := api.New(api.Config{Service: service.New(book(t), troubled{func(context.Context) error { return fmt.Errorf("hunter2: %w", service.ErrUnavailable) }}, clock)})
	address := "/v1/fittings/" + strings.Repeat("A", 26)
	body := strings.Replace(yardFitting, `"ZZ"`, `"AU-NSW"`, 1)
	for _, c := range []struct{ method, target, body string }{
		{"POST", "/v1/fittings", body},
		{"GET", "/v1/fittings", ""},
		{"GET", address, ""},
		{"GET", address + "/record", ""},
		{"POST", address + "/proofs", floatReadings},
		{"POST", address + "/sign-off", signature},
		{"POST", address + "/replay", ""},
	} {
		r := call(t, h, c.method, c.target, c.body, anyTag)
		wantProblem(t, c.method+" "+c.target, r, 503, "timeout")
		if bytes.Contains(r.Body, []byte("hunter2")) {
			t.Errorf("the reply tells what went wrong inside: %s", r.Body)
		}
	}
	// A plan that is not kept needs no store.
	wantStatus(t, "plan", call(t, h, http.MethodPost, "/v1/fittings?record=false", body), 200)
}

// TestFittingReplySchemas holds every schema of a fitting to the type that is
// written.
func TestFittingReplySchemas(t *testing.T) {
	for name, value := range map[string]any{
		"Fitting": service.Fitting{}, "FittingProof": service.FittingProof{}, "FittingSignOff": service.FittingSignOff{}, "FittingSummary": service.FittingSummary{},
		"FittingPage": service.Page[service.FittingSummary]{}, "FittingLog": service.All[service.Proof]{}, "FittingHandover": service.FittingHandover{},
		"FittingReplay": service.FittingReplay{}, "FittingReplayed": service.ReplayedEntry{}, "FittingSource": circuit.Source{},
		"FittingPlan": fitting.Plan{}, "FittingLaw": fitting.LawAsk{}, "FittingElectrical": fitting.Electrical{}, "FittingCircuit": fitting.Design{},
		"FittingSection": fitting.Section{}, "FittingAxle": fitting.AxleLoad{}, "FittingProtection": fitting.Protection{}, "FittingStopSignal": fitting.StopSignal{},
		"FittingConnector": fitting.Connector{}, "FittingPin": fitting.Pin{}, "FittingBreakaway": fitting.Breakaway{}, "FittingNeed": fitting.Need{},
		"FittingFinding": fitting.Finding{}, "FittingStep": fitting.Step{}, "FittingMeasure": fitting.Measure{}, "FittingProofContext": fitting.ProofContext{},
		"FittingPump": fitting.Pump{}, "FittingAskedBrake": fitting.AskedBrake{}, "FittingNetwork": fitting.Network{}, "FittingAxleOhms": fitting.AxleOhms{},
		"FittingExpectation": fitting.Expectation{}, "FittingJudgement": fitting.Judgement{}, "FittingJudged": fitting.Proof{}, "FittingFault": fitting.Fault{},
		"FittingPrediction": fitting.Prediction{}, "FittingHandoverContent": fitting.Handover{}, "FittingRigLine": fitting.Line{}, "FittingPlanSummary": fitting.PlanSummary{},
		"FittingCheck": fitting.Check{}, "FittingPointer": fitting.Pointer{},
		// FittingMissing has a field that Go hides under the name of its type; the replies are held to it.
		"FittingJob": fitting.Job{}, "FittedPart": fitting.FittedPart{}, "FittingSigner": fitting.SignOff{},
	} {
		t.Run(name, func(t *testing.T) { compare(t, name, schemas(t)[name].Value, reflect.TypeOf(value)) })
	}
	var states []string
	for _, s := range service.FittingStates {
		states = append(states, string(s))
	}
	if got := words(schemas(t)["FittingState"].Value); !slices.Equal(got, states) {
		t.Errorf("FittingState: words are %v, want %v", got, states)
	}
	state := words(schemas(t)["FittingCircuit"].Value.Properties["state"].Value)
	if want := []string{string(fitting.Designed), string(fitting.Open), string(fitting.NotNeeded), string(fitting.Unfit)}; !slices.Equal(state, want) {
		t.Errorf("states of a part of the plan are %v, want %v", state, want)
	}
	doc, err := openapitest.Document()
	if err != nil {
		t.Fatal(err)
	}
	if text := doc.Paths.Value("/v1/fittings/{id}/proofs").Post.Description; !strings.Contains(text, fmt.Sprintf("takes measurements %d times", service.MaxProofs)) {
		t.Errorf("how often measurements are taken: %s", text)
	}
}

// TestFittingInputs holds what the contract says of the documents of a fitting to
// what is read: the names, and the kinds, words and limits of their values.
func TestFittingInputs(t *testing.T) {
	for name, typ := range map[string]reflect.Type{
		"FittingRequest": reflect.TypeFor[fitting.Request](), "FittingMeasurements": reflect.TypeFor[fitting.Measurements](), "FittingSignature": reflect.TypeFor[fitting.Record](),
	} {
		inputs(t, name, name, typ)
	}
	ask, request := schemas(t)["FittingAsk"].Value, schemas(t)["FittingRequest"].Value
	for name := range request.Properties {
		if ask.Properties[name] == nil || ask.Properties[name].Ref != request.Properties[name].Ref {
			t.Errorf("FittingAsk.%s is not that of FittingRequest", name)
		}
	}
	if len(ask.Properties) != len(request.Properties)+2 {
		t.Errorf("FittingAsk has %d fields", len(ask.Properties))
	}
}

func inputs(t *testing.T, at, name string, typ reflect.Type) {
	t.Helper()
	s := schemas(t)[name].Value
	if len(s.Properties) != typ.NumField() {
		t.Errorf("%s: the contract has %d fields, and %d are read", at, len(s.Properties), typ.NumField())
	}
	for i := range typ.NumField() {
		f := typ.Field(i)
		field, _, _ := strings.Cut(f.Tag.Get("json"), ",")
		at := at + "." + field
		ref := s.Properties[field]
		if ref == nil {
			t.Errorf("%s is not in the contract", at)
			continue
		}
		kind := f.Type
		if kind.Kind() == reflect.Slice {
			if most := ref.Value.MaxItems; most == nil || fmt.Sprint(*most) != f.Tag.Get("list") {
				t.Errorf("%s: maxItems is not %s", at, f.Tag.Get("list"))
			}
			kind, ref = kind.Elem(), ref.Value.Items
		}
		is := bare(ref).Value
		dim := f.Tag.Get("dim")
		switch {
		case dim != "":
			if want := strings.ToUpper(dim[:1]) + dim[1:]; refName(ref) != want {
				t.Errorf("%s refers to %q, not to %s", at, refName(ref), want)
			}
		case kind.Kind() == reflect.Struct:
			inputs(t, at, refName(ref), kind)
		case kind.Kind() == reflect.Pointer:
			if !is.Type.Is("boolean") {
				t.Errorf("%s is no boolean", at)
			}
		case kind.Kind() == reflect.Int:
			if !is.Type.Is("integer") || is.Max == nil || fmt.Sprint(*is.Max) != f.Tag.Get("most") || is.Min == nil || (*is.Min > 0) != (f.Tag.Get("positive") != "") {
				t.Errorf("%s is not counted up to %s", at, f.Tag.Get("most"))
			}
		case f.Tag.Get("words") != "":
			if !slices.Equal(words(is), strings.Fields(f.Tag.Get("words"))) {
				t.Errorf("%s: words are %v, want %s", at, words(is), f.Tag.Get("words"))
			}
		case f.Tag.Get("day") != "":
			if refName(ref) != "Day" {
				t.Errorf("%s is no Day", at)
			}
		default:
			if !is.Type.Is("string") {
				t.Errorf("%s is no text", at)
			}
		}
		for _, limit := range []string{f.Tag.Get("most"), f.Tag.Get("least")} {
			if dim != "" && limit != "" && !strings.Contains(s.Properties[field].Value.Description, limit) {
				t.Errorf("%s does not say %s", at, limit)
			}
		}
	}
}

func (s troubled) PutFitting(ctx context.Context, _ service.FittingSummary, _ service.FittingEntry) error {
	return s.trouble(ctx)
}

func (s troubled) AppendFitting(ctx context.Context, _ string, _ service.FittingEntry) error {
	return s.trouble(ctx)
}

func (s troubled) GetFitting(ctx context.Context, _ string) (service.FittingRecord, error) {
	return service.FittingRecord{}, s.trouble(ctx)
}

func (s troubled) ListFittings(ctx context.Context, _ service.FittingFilter) ([]service.FittingSummary, error) {
	return nil, s.trouble(ctx)
}
