package api_test

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"net/http"
	"os"
	"slices"
	"strings"
	"testing"
	"unicode"

	"github.com/ledongthuc/pdf"
	"golang.org/x/net/html"

	"drawgear/api"
	"drawgear/api/page"
	"drawgear/db/memory"
	"drawgear/openapi/openapitest"
	"drawgear/rules"
	"drawgear/rules/cases"
	"drawgear/service"
	"drawgear/testdata"
)

// demoFloat is the demo rig with some of its fields changed, by dotted path; nil
// takes one out.
func demoFloat(t testing.TB, changes map[string]any) string {
	t.Helper()
	document, err := os.ReadFile("../testdata/rigs/horse-float.json")
	if err != nil {
		t.Fatal(err)
	}
	var tree map[string]any
	if err := json.Unmarshal(document, &tree); err != nil {
		t.Fatal(err)
	}
	for path, value := range changes {
		at, names := tree, strings.Split(path, ".")
		for _, name := range names[:len(names)-1] {
			at, _ = at[name].(map[string]any)
		}
		last := names[len(names)-1]
		if value == nil {
			delete(at, last)
		} else {
			at[last] = value
		}
	}
	out, err := json.Marshal(tree)
	if err != nil {
		t.Fatal(err)
	}
	return string(out)
}

// The three verdicts, which follow from the law that the boundary cases of New
// South Wales cite: over 2 t GTM every wheel is braked, and brakes that come on by
// themselves hold for 15 minutes (ADR 38); a coupling is rated for the ATM (ADR 62).
var reported = []struct {
	name    string
	verdict rules.Verdict
	changes map[string]any
}{
	{"compliant", rules.Compliant, nil},
	{"non compliant", rules.NonCompliant, map[string]any{
		"trailer.breakaway": map[string]any{"kind": "none"},
		"trailer.brakes":    map[string]any{"kind": "overrun", "braked_axles": 1, "operable_from_cab": false},
	}},
	{"undetermined", rules.Undetermined, map[string]any{"trailer.brakes": nil, "trailer.breakaway": nil}},
}

// told is an assessment that was kept, and its answer in bytes and as read.
type told struct {
	id     string
	bytes  []byte
	answer rules.Answer
}

func assessed(t testing.TB, h http.Handler, document string) told {
	t.Helper()
	r := wantStatus(t, "assess", call(t, h, "POST", "/v1/assessments", document), 201)
	kept := decode[struct {
		ID     string          `json:"id"`
		Answer json.RawMessage `json:"answer"`
	}](t, r)
	out := told{id: kept.ID, bytes: kept.Answer}
	if err := json.Unmarshal(kept.Answer, &out.answer); err != nil {
		t.Fatal(err)
	}
	return out
}

func report(t testing.TB, h http.Handler, id, kind string) openapitest.Reply {
	t.Helper()
	return wantStatus(t, "report", call(t, h, "GET", "/v1/assessments/"+id+"/report", "", header{"Accept", kind}), 200)
}

// solid is text without white space and bullets: where they stand is up to the layout.
func solid(text string) string {
	return strings.Map(func(r rune) rune {
		if unicode.IsSpace(r) || r == '•' {
			return -1
		}
		return r
	}, text)
}

// dom is a page as a browser has it.
type dom struct {
	nodes    []*html.Node
	sections map[string]string // what stands under a heading of the second level, solid
}

func readHTML(t testing.TB, body []byte) dom {
	t.Helper()
	root, err := html.Parse(bytes.NewReader(body))
	if err != nil {
		t.Fatal(err)
	}
	d := dom{sections: map[string]string{}}
	for n := range root.Descendants() {
		if n.Type == html.ElementNode {
			d.nodes = append(d.nodes, n)
		}
	}
	for _, n := range d.all("h2") {
		d.sections[inner(n)] = solid(inner(n.Parent))
	}
	return d
}

func (d dom) all(names ...string) (out []*html.Node) {
	for _, n := range d.nodes {
		if slices.Contains(names, n.Data) {
			out = append(out, n)
		}
	}
	return out
}

func attrOf(n *html.Node, name string) string {
	for _, a := range n.Attr {
		if a.Key == name {
			return a.Val
		}
	}
	return ""
}

func inner(n *html.Node) string {
	var out strings.Builder
	for c := range n.Descendants() {
		if c.Type == html.TextNode {
			out.WriteString(c.Data)
		}
	}
	return out.String()
}

func readPDF(t testing.TB, body []byte) (text string, pages int) {
	t.Helper()
	r, err := pdf.NewReader(bytes.NewReader(body), int64(len(body)))
	if err != nil {
		t.Fatal(err)
	}
	var out strings.Builder
	for i := range r.NumPage() {
		one, err := r.Page(i + 1).GetPlainText(nil)
		if err != nil {
			t.Fatal(err)
		}
		out.WriteString(one)
	}
	return solid(out.String()), r.NumPage()
}

// TestReport holds the report to the answer that it prints: nothing of it that
// anybody has to know may be lost on the way to paper.
func TestReport(t *testing.T) {
	h := newServer(t)
	for _, c := range reported {
		t.Run(c.name, func(t *testing.T) {
			kept := assessed(t, h, demoFloat(t, c.changes))
			a := kept.answer
			if a.Verdict != c.verdict {
				t.Fatalf("the verdict is %s", a.Verdict)
			}
			r := report(t, h, kept.id, "text/html")
			d := readHTML(t, r.Body)
			checkStructure(t, d)
			saysAll(t, d, kept)
			for _, want := range []string{"GTM", "2200 kg", "Towbar", "17.2 kN", "as4177.5-flat7"} {
				if !strings.Contains(d.sections["The rig"], solid(want)) {
					t.Errorf("the rig does not show %q", want)
				}
			}

			file := report(t, h, kept.id, "application/pdf")
			text, pages := readPDF(t, file.Body)
			if pages == 0 {
				t.Error("the PDF has no page")
			}
			for _, want := range append(slices.Clone(a.Cautions), strings.ReplaceAll(string(a.Verdict), "_", " "), kept.id) {
				if !strings.Contains(text, solid(want)) {
					t.Errorf("the PDF does not say %q", want)
				}
			}
			for kind, first := range map[string][]byte{"text/html": r.Body, "application/pdf": file.Body} {
				if again := report(t, h, kept.id, kind); !bytes.Equal(again.Body, first) {
					t.Errorf("%s: printed again it has other bytes", kind)
				}
			}
		})
	}
}

// TestReportsOfBoundaryCases prints assessments from every place for which there
// are boundary cases.
func TestReportsOfBoundaryCases(t *testing.T) {
	checks, err := cases.Load(testdata.Cases, "cases/*.yaml")
	if err != nil {
		t.Fatal(err)
	}
	step := 47 // prime, so as not to fall in with the order of the cases
	if testing.Short() {
		step = 197
	}
	h := newServer(t)
	for i := 0; i < len(checks); i += step {
		t.Run(checks[i].Name, func(t *testing.T) {
			document, err := json.Marshal(checks[i].Document())
			if err != nil {
				t.Fatal(err)
			}
			kept := assessed(t, h, string(document))
			d := readHTML(t, report(t, h, kept.id, "text/html").Body)
			checkStructure(t, d)
			saysAll(t, d, kept)
			text, _ := readPDF(t, report(t, h, kept.id, "application/pdf").Body)
			for _, f := range kept.answer.Findings {
				if f.Status == rules.NotMet && !strings.Contains(text, solid(f.Summary)) {
					t.Errorf("the PDF does not say %q", f.Summary)
				}
			}
		})
	}
}

// TestReportOfCargo: what is carried stands in the report, and figures that cannot
// stand together stand beside the verdict.
func TestReportOfCargo(t *testing.T) {
	h := newServer(t)
	kept := assessed(t, h, demoFloat(t, map[string]any{
		"trailer.items": []any{map[string]any{"name": "Feed bin", "mass": "40 kg", "behind_coupling": "2.05 m"}, map[string]any{"mass": "75 kg"}},
		"vehicle.items": []any{map[string]any{"name": "Saddle box", "mass": "55 kg", "behind_front_axle": "3.15 m"}},
	}))
	d := readHTML(t, report(t, h, kept.id, "text/html").Body)
	for _, want := range []string{"Feed bin", "40 kg", "2.05 m behind the coupling", "thing 2", "75 kg", "Saddle box", "3.15 m behind its front axle"} {
		if !strings.Contains(d.sections["The rig"], solid(want)) {
			t.Errorf("the rig does not show %q", want)
		}
	}

	// 100 kg 3 m behind an axle 4 m from the coupling take 75 kg off the 50 kg there.
	kept = assessed(t, h, `{"jurisdiction": "AU-NSW", "as_of": "2026-11-25", "trailer": {"axle_count": 1, "ball_to_axle": "4 m",
		"tare": "500 kg", "tare_ball": "50 kg", "items": [{"mass": "100 kg", "behind_coupling": "7 m"}]}}`)
	d = readHTML(t, report(t, h, kept.id, "text/html").Body)
	for _, want := range []string{"Danger", "pulls the coupling up"} {
		if !strings.Contains(d.sections["Verdict"], solid(want)) {
			t.Errorf("beside the verdict it does not say %q", want)
		}
	}
}

// checkStructure looks for what those need who hear a page or go through it by keys.
func checkStructure(t *testing.T, d dom) {
	t.Helper()
	if n := len(d.all("h1")); n != 1 {
		t.Errorf("%d headings of the first level", n)
	}
	level := byte('0')
	for _, n := range d.all("h1", "h2", "h3", "h4", "h5", "h6") {
		if n.Data[1] > level+1 {
			t.Errorf("%q is a heading of level %c under one of %c", inner(n), n.Data[1], level)
		}
		level = n.Data[1]
	}
	if lang := attrOf(d.all("html")[0], "lang"); lang != "en" {
		t.Errorf("the language is %q", lang)
	}
	if len(d.all("script")) > 0 || len(d.all("title")) == 0 {
		t.Error("it has a script, or no title")
	}
	for _, table := range d.all("table") {
		heads := 0
		for n := range table.Descendants() {
			if n.Data == "th" {
				heads++
				if s := attrOf(n, "scope"); s != "col" && s != "row" {
					t.Errorf("the head %q has the scope %q", inner(n), s)
				}
			}
		}
		if heads == 0 {
			t.Errorf("a table has no heads: %.80q", inner(table))
		}
	}
	if n := len(d.all("figure")); n < 2 {
		t.Errorf("%d pictures", n)
	}
	for _, f := range d.all("figure") {
		if text := inner(f); len(text) < 100 {
			t.Errorf("a picture is not told in words: %q", text)
		}
	}
}

// saysAll compares the page with the answer, part by part.
func saysAll(t *testing.T, d dom, kept told) {
	t.Helper()
	a := kept.answer
	within := func(heading string, wanted ...string) {
		t.Helper()
		text := d.sections[heading]
		for _, want := range wanted {
			if want != "" && !strings.Contains(text, solid(want)) {
				t.Errorf("under %q it does not say %q", heading, want)
			}
		}
	}
	within("Cautions", a.Cautions...)
	within("Verdict", strings.ReplaceAll(string(a.Verdict), "_", " "))
	for _, f := range a.Findings {
		where := map[string]string{
			string(rules.NotMet): "What is wrong, and what to do", string(rules.Unknown): "What is missing",
			string(rules.Met): "What else was looked at", string(rules.NotApplicable): "What else was looked at",
		}[string(f.Status)]
		if f.Level == "practice" {
			if f.Status != rules.NotApplicable {
				within("Practice", f.Summary, f.Citation.Clause, f.Citation.Verification)
				within("Practice", f.WaitsFor...)
			}
			continue
		}
		within(where, f.Summary, f.Citation.Clause, f.Citation.Verification)
		if f.Status == rules.NotMet {
			within(where, f.Remedy, f.Because, f.Limit, f.Margin, f.Citation.Title, f.Rule)
		}
		if f.Status == rules.Unknown {
			within(where, f.Citation.Title)
			within(where, f.WaitsFor...)
		}
		if f.Citation.NeedsConfirming {
			within(where, "needs confirming")
		}
	}
	for _, m := range a.Missing {
		within("What is missing", m.Pointer, m.Term)
	}
	within("What is not covered", "Not covered never means allowed.")
	for _, q := range a.NotCovered {
		within("What is not covered", strings.ToUpper(q[:1])+strings.ReplaceAll(q[1:], "_", " "))
	}
	for _, x := range a.Asks {
		within("What the law asks, and where it says so", strings.ReplaceAll(strings.Join(x.Permitted, ", "), "_", " "))
		if x.Value != "true" && x.Value != "false" && x.Value != "listed" {
			within("What the law asks, and where it says so", strings.ReplaceAll(x.Value, "_", " "))
		}
	}
	for _, n := range a.Notices {
		within("Notices", n.Text, n.Citation.Clause, n.Citation.Verification)
	}
	for _, s := range a.Sources {
		within("Sources and rulesets", s.Title, s.Edition, s.URL, s.Checked, s.CheckedOn)
	}
	for _, s := range a.Rulesets {
		within("Sources and rulesets", s.Title, s.ID, s.SHA256, s.Reviewed)
	}
	sum := sha256.Sum256(kept.bytes)
	within("The record", kept.id, hex.EncodeToString(sum[:]), "2026-11-25 23:59:59 UTC")

	var order []string
	for _, n := range d.all("h2") {
		order = append(order, inner(n))
	}
	want := []string{
		"Cautions", "Verdict", "The rig", "What the law asks, and where it says so", "What is wrong, and what to do", "What is missing", "What is not covered",
		"Ratings and loads", "Notices", "Conflicts between rules", "Practice", "What else was looked at", "Sources and rulesets", "The record",
	}
	if !slices.Equal(order, want) {
		t.Errorf("the order is %q", order)
	}
}

// TestReportBesideTheLaw: a rating that no rule reads does not hide behind the
// verdict. 200 kg on a ball 1.1 m behind an axle that stands 2.85 m from the other
// add 200 x 3.95 / 2.85 = 277.19 kg to the 1750 kg of the rear axle, made for 1800.
func TestReportBesideTheLaw(t *testing.T) {
	h := newServer(t)
	kept := assessed(t, h, demoFloat(t, map[string]any{
		"vehicle.wheelbase": "2.85 m", "vehicle.ball_overhang": "1.1 m", "vehicle.laden.axles": []any{"1100 kg", "1750 kg"},
	}))
	if kept.answer.Verdict != rules.Compliant {
		t.Fatalf("the law reads it: %s", kept.answer.Verdict)
	}
	d := readHTML(t, report(t, h, kept.id, "text/html").Body)
	if text := d.sections["Verdict"]; !strings.Contains(text, solid("beyond their limit")) || !strings.Contains(text, solid("rear axle")) {
		t.Errorf("the verdict stands alone: %s", text)
	}
	if text := d.sections["Ratings and loads"]; !strings.Contains(text, "2027.19") {
		t.Errorf("the rear axle's load is not told: %s", text)
	}
}

// TestReportOfAnotherAnswer: where the law of then is not loaded, or the answer
// comes out otherwise, the recorded one is printed as it is, and nothing beside it.
func TestReportOfAnotherAnswer(t *testing.T) {
	st := memory.New(0)
	h := api.New(api.Config{Service: service.New(book(t), st, clock)})
	ctx := service.WithCaller(t.Context(), service.Local())
	kept := assessed(t, h, demoFloat(t, nil))
	for name, c := range map[string]struct {
		change func(*rules.Answer)
		says   string
	}{
		"law that is gone": {func(a *rules.Answer) { a.Rulesets[0].SHA256 = strings.Repeat("0", 64) }, "is not loaded in this service"},
		"another answer": {func(a *rules.Answer) {
			a.Verdict = rules.Undetermined
			a.Conflicts = []rules.Conflict{{
				Question: "breakaway.hold", Summary: "One says ten minutes, one says fifteen.", Rules: []string{"xx.one", "xx.two"},
				Citations: []rules.Citation{{Source: "xx-code", Clause: "clause 9", Verification: "memory", NeedsConfirming: true}},
			}}
		}, "comes to another answer than the recorded one"},
	} {
		t.Run(name, func(t *testing.T) {
			rec, err := st.Get(ctx, kept.id)
			if err != nil {
				t.Fatal(err)
			}
			a := kept.answer
			a.Rulesets = slices.Clone(a.Rulesets)
			c.change(&a)
			if rec.Answer, err = json.Marshal(a); err != nil {
				t.Fatal(err)
			}
			rec.ID, rec.Verdict = strings.Repeat(strings.ToUpper(name[:1]), 26), a.Verdict
			if err := st.Put(ctx, rec); err != nil {
				t.Fatal(err)
			}
			d := readHTML(t, report(t, h, rec.ID, "text/html").Body)
			if text := d.sections["Ratings and loads"]; !strings.Contains(text, solid(c.says)) {
				t.Errorf("it does not say that %s: %s", c.says, text)
			}
			if n := len(d.all("figure")); n > 0 {
				t.Errorf("%d pictures stand beside it", n)
			}
			if text := d.sections["Verdict"]; !strings.Contains(text, solid(strings.ReplaceAll(string(a.Verdict), "_", " "))) {
				t.Errorf("the verdict is not the recorded one: %s", text)
			}
			for _, x := range a.Conflicts {
				for _, want := range []string{x.Summary, x.Rules[0], x.Rules[1], x.Citations[0].Clause, "needs confirming"} {
					if !strings.Contains(d.sections["Conflicts between rules"], solid(want)) {
						t.Errorf("of the conflict it does not say %q", want)
					}
				}
			}
			if _, pages := readPDF(t, report(t, h, rec.ID, "application/pdf").Body); pages == 0 {
				t.Error("the PDF has no page")
			}
		})
	}
}

// TestReportForms: what may be asked for, and what not.
func TestReportForms(t *testing.T) {
	h := newServer(t)
	kept := assessed(t, h, float)
	target := "/v1/assessments/" + kept.id + "/report"
	for accept, want := range map[string]string{
		"": "text/html; charset=utf-8", "*/*": "text/html; charset=utf-8", "text/html,application/xhtml+xml,*/*;q=0.8": "text/html; charset=utf-8",
		"application/pdf": "application/pdf", "text/html;q=0.5, application/pdf": "application/pdf",
	} {
		var hs []header
		if accept != "" {
			hs = []header{{"Accept", accept}}
		}
		r := wantStatus(t, accept, call(t, h, "GET", target, "", hs...), 200)
		if got := r.Header.Get("Content-Type"); got != want || r.Header.Get("Vary") != "Accept" {
			t.Errorf("%q: it is %s and varies by %q", accept, got, r.Header.Get("Vary"))
		}
	}
	bodies := map[string][]byte{}
	for query, paper := range map[string]page.Paper{"": page.A4, "?paper=a4": page.A4, "?paper=letter": page.Letter} {
		r := wantStatus(t, query, call(t, h, "GET", target+query, ""), 200)
		if got := r.Header.Get("Content-Security-Policy"); got != page.ContentSecurityPolicy(paper) {
			t.Errorf("%q: the policy is %q", query, got)
		}
		bodies[query] = wantStatus(t, query, call(t, h, "GET", target+query, "", header{"Accept", "application/pdf"}), 200).Body
	}
	if !bytes.Equal(bodies[""], bodies["?paper=a4"]) || bytes.Equal(bodies["?paper=a4"], bodies["?paper=letter"]) {
		t.Error("paper that is not named is not A4, or the papers do not differ")
	}
	wantProblem(t, "another kind", call(t, h, "GET", target, "", header{"Accept", "application/json"}), 406, "not-acceptable")
	wantProblem(t, "another paper", call(t, h, "GET", target+"?paper=a3", ""), 400, "bad-query")
	wantProblem(t, "no such assessment", call(t, h, "GET", "/v1/assessments/"+strings.Repeat("A", 26)+"/report", ""), 404, "not-found")
}

// TestReportOfNeighbours: another tenant's assessment is not there.
func TestReportOfNeighbours(t *testing.T) {
	n := newNeighbours(t, memory.New(0), "")
	target := "/v1/assessments/" + n.kept[0] + "/report"
	for _, kind := range []string{"text/html", "application/pdf"} {
		accept := header{"Accept", kind}
		wantProblem(t, kind, call(t, n.h, "GET", target, "", n.tarn, accept), 404, "not-found")
		r := wantStatus(t, kind, call(t, n.h, "GET", target, "", n.yard, accept), 200)
		if kind == "text/html" {
			if text := readHTML(t, r.Body).sections["The record"]; !strings.Contains(text, solid(n.kept[0]+"/proof gives")) {
				t.Errorf("it does not say how to prove that it is in the log: %s", text)
			}
		}
	}
}
