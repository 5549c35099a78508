package service_test

import (
	"errors"
	"fmt"
	"strings"
	"testing"
	"time"

	"drawgear/db/memory"
	"drawgear/rules/law"
)

// promptly is when work on what an author sends counts as work without end: no
// measure of speed, since tests share the machine.
const promptly = time.Minute

func inTime(t *testing.T, what string, do func()) {
	t.Helper()
	start := time.Now()
	do()
	if took := time.Since(start); took > promptly {
		t.Errorf("%s took %v", what, took)
	}
}

// many repeats a line with its number.
func many(n int, line string) string {
	var out strings.Builder
	for i := range n {
		out.WriteString(strings.ReplaceAll(line, "N", fmt.Sprint(i)))
	}
	return out.String()
}

const moreRules = `  - id: house.rN
    says: N
    level: practice
    when: WHEN
    oblige: {service_brakes: {required: true}}
    cite: {source: yard-book, clause: N, how: text}
`

// TestHostileDrafts: what is made to cost a lot is refused soon, with a fault
// that says what is wrong and, where there is one, its line.
func TestHostileDrafts(t *testing.T) {
	d := newDesk(t, memory.New(0), shippedText("1", "750"))
	anna := who(t, saltmarshYard, "anna")
	when := func(text string) []byte { return house(t, "trailer.rated.axles > kg(500)", text) }
	bomb := "terms:\n  a: &a0 [x, x, x, x, x, x, x, x, x]\n"
	for i := range 20 {
		bomb += fmt.Sprintf("  b%d: &a%d [%s]\n", i, i+1, strings.TrimSuffix(strings.Repeat(fmt.Sprintf("*a%d, ", i), 9), ", "))
	}
	for name, c := range map[string]struct {
		document []byte
		want     string
		line     bool
	}{
		"aliases of aliases":        {house(t, "extends:", bomb+"extends:"), "anchors and aliases", true},
		"a merge":                   {house(t, "  - {id: yard-book", "  - &base {id: yard-book", "rules:", "rules:\n  - {<<: *base}"), "anchors and aliases", true},
		"an alias of itself":        {house(t, "title: Saltmarsh Yard", "title: &a [*a]"), "", true},
		"lists in lists":            {house(t, "title: Saltmarsh Yard", "title: "+strings.Repeat("[", 9000)+strings.Repeat("]", 9000)), "nested too deep", true},
		"lists without end":         {house(t, "title: Saltmarsh Yard", "title: "+strings.Repeat("[", 500_000)), "", false},
		"names in names":            {house(t, "rig: {trailer:", "rig: {"+strings.Repeat("a: {", 60)+"trailer:", "{brakes: {kind: none}}}", "{brakes: {kind: none}}}"+strings.Repeat("}", 60)), "nested too deep", true},
		"names without end":         {house(t, "extends:", "terms:\n"+many(40_000, "  tN: x\n")+"extends:"), "names in one place", true},
		"a name again and again":    {house(t, "extends:", "terms:\n"+strings.Repeat("  a: x\n", 60_000)+"extends:"), "names in one place", true},
		"too many rules":            {house(t, "examples:", many(400, strings.Replace(moreRules, "WHEN", "use.commercial", 1))+"examples:"), "too many rules", true},
		"too many steps":            {[]byte(houseText + many(1000, "      - {at: N kg, expect: {}}\n")), "too many examples", true},
		"many steps of many rules":  {house(t, "examples:", many(300, strings.Replace(moreRules, "WHEN", "use.commercial", 1))+"examples:", "    steps:\n", "    steps:\n"+many(500, "      - {at: N kg, expect: {}}\n")), "too many examples", true},
		"too large":                 {[]byte(houseText + strings.Repeat("#", law.MaxBytes)), "larger than", false},
		"several documents":         {[]byte(houseText + "---\n" + houseText), "more than one document", false},
		"nothing":                   {nil, "empty", false},
		"no mapping":                {[]byte("- a\n- b\n"), "", true},
		"another tag":               {house(t, "title: Saltmarsh Yard", "title: !!binary AAAA"), "tags are not used", true},
		"a zero byte":               {house(t, "title: Saltmarsh Yard", `title: "a\0b"`), "control characters", true},
		"an escape of the terminal": {house(t, "says: Over", `remedy: "\e[2J"`+"\n    says: Over"), "control characters", true},
		"no UTF-8":                  {house(t, "Saltmarsh Yard\njur", "\xff\xfe\njur"), "", false},
		"a number without end":      {house(t, "version: 1", "version: "+strings.Repeat("9", 1000)), "", true},
		"a number that is none":     {house(t, "version: 1", "version: .inf"), "", true},
		"a long expression":         {when("use.commercial" + strings.Repeat(" || use.commercial", 100)), "longer than", true},
		"a wide expression":         {when("true" + strings.Repeat("||true", 150)), "more than 200 parts", true},
		"a deep expression":         {when(strings.Repeat("(", 490) + "true" + strings.Repeat(")", 490)), "", true},
		"a loop":                    {when(`[1,2,3].all(x, [1,2,3].all(y, [1,2,3].all(z, x+y+z > 0)))`), "", true},
		"a text that grows":         {when(`"a" + "a" == "aa"`), "", true},
		"a pattern":                 {when(`"aaaaaaaa".matches("(a+)+$")`), "", true},
		"a reach for more":          {when(`request.auth == null || dyn(trailer) != null`), "", true},
		"a number past the largest": {when(`trailer.rated.axles > 99999999999999999999 * kg(1)`), "", true},
		"definitions of a lot": {[]byte(strings.Replace(string(when(`'`+strings.TrimSuffix(strings.Repeat("named.a || ", 60), " || ")+`'`)),
			"sources:", "define:\n  a: use.commercial"+strings.Repeat(" || use.interstate", 40)+"\nsources:", 1)), "with those of the conditions", true},
		"a long sentence": {house(t, "says: Over 500 kg we fit brakes.", "says: "+strings.Repeat("brakes ", 100)), "longer than 600", true},
	} {
		t.Run(name, func(t *testing.T) {
			inTime(t, "refusing it", func() {
				_, err := d.Draft(anna, c.document)
				var fs law.Faults
				if !errors.As(err, &fs) || len(fs) == 0 {
					t.Fatalf("it is refused with %v", err)
				}
				if !strings.Contains(fs.Error(), c.want) || len(fs) > 50 || len(fs.Error()) > 50_000 {
					t.Errorf("the faults are %.500s, want %q", fs, c.want)
				}
				if c.line && fs[0].Line == 0 {
					t.Errorf("%q has no line", fs[0].Message)
				}
				if strings.Contains(fs.Error(), "law.") || strings.Contains(fs.Error(), "yaml.") {
					t.Errorf("it speaks of our types: %.300s", fs)
				}
			})
		})
	}
	if page, err := d.Rulesets(anna); err != nil || len(page.Items) != 1 {
		t.Errorf("something refused was kept: %+v (%v)", page.Items, err)
	}
}

// TestCostlyHouseRules are as costly as rules may be; checking them, publishing
// them and asking by them is still done soon.
func TestCostlyHouseRules(t *testing.T) {
	facts := []string{"trailer.rated.axles", "trailer.rated.total", "trailer.laden.axles", "trailer.laden.total", "trailer.tare", "vehicle.kerb", "vehicle.rated.total", "vehicle.unladen", "trailer.laden.ball", "vehicle.towing.braked"}
	bands := ""
	for i, f := range facts {
		bands += fmt.Sprintf("%s > kg(%d) && %s < kg(%d) || ", f, 100+i, f, 3000+i)
	}
	ladder := ""
	for i := range 390 {
		ladder += strings.NewReplacer("N", fmt.Sprint(i), "WHEN", fmt.Sprintf("trailer.tare > kg(%d)", 100+i%3)).Replace(moreRules)
		if i+2 < 390 {
			ladder = strings.TrimSuffix(ladder, "\n") + fmt.Sprintf("\n    overrides: [house.r%d, house.r%d]\n", i+1, i+2)
		}
	}
	steps := strings.Replace(houseText[strings.Index(houseText, "examples:"):], "    steps:\n", "    steps:\n"+many(990, "      - {at: N kg, expect: {}}\n"), 1)
	for name, text := range map[string]string{
		"many bands":         strings.Replace(houseText, "examples:", many(40, strings.Replace(moreRules, "WHEN", strings.TrimSuffix(bands, " || "), 1))+"examples:", 1),
		"a ladder":           strings.Replace(houseText, "examples:", ladder+"examples:", 1),
		"many examples":      houseText[:strings.Index(houseText, "examples:")] + steps,
		"rules and examples": strings.Replace(houseText[:strings.Index(houseText, "examples:")], "examples:", "", 1) + many(390, strings.Replace(moreRules, "WHEN", "trailer.rated.axles > kg(N)", 1)) + strings.Replace(steps, many(900, "      - {at: N kg, expect: {}}\n"), "", 1),
	} {
		t.Run(name, func(t *testing.T) {
			d := newDesk(t, memory.New(0), shippedText("1", "750"))
			anna := who(t, saltmarshYard, "anna")
			inTime(t, "the draft", func() {
				if _, err := d.Draft(anna, []byte(text)); err != nil {
					t.Fatal(err)
				}
			})
			inTime(t, "the check", func() {
				if r, err := d.Check(anna, "house-yard", 1); err != nil || !r.Passes {
					t.Fatalf("%+v (%v)", r, err)
				}
			})
			if _, err := d.Approve(who(t, saltmarshYard, "ben"), "house-yard", 1, "*"); err != nil {
				t.Fatal(err)
			}
			if _, err := d.Publish(who(t, saltmarshYard, "ben"), "house-yard", 1, "*"); err != nil {
				t.Fatal(err)
			}
			for _, question := range []string{unbraked, `{"jurisdiction":"ZZ"}`, `{"jurisdiction":"ZZ","trailer":{"tare":"101 kg"}}`} {
				inTime(t, "a question", func() {
					if _, err := d.Assess(anna, []byte(question), false); err != nil {
						t.Fatal(err)
					}
				})
			}
			inTime(t, "the comparison", func() {
				if _, err := d.Draft(anna, []byte(strings.Replace(text, "version: 1", "version: 2", 1))); err != nil {
					t.Fatal(err)
				}
				if c, err := d.Compare(anna, "house-yard", 1, 2, "", ""); err != nil || len(c.Rigs) != 0 {
					t.Errorf("%d rigs come out otherwise under the same rules (%v)", len(c.Rigs), err)
				}
			})
		})
	}
}

// TestTextsAreTexts: whatever stands in a text is kept and given back as it is.
func TestTextsAreTexts(t *testing.T) {
	const (
		sql = `'; DROP TABLE versions; -- ' OR '1'='1`
		cel = `true || size(trailer) > 0 ? "${secret}" : "{{.}}"`
		web = `<script>alert(1)</script>&amp;%00%0a`
	)
	d := newDesk(t, memory.New(0), shippedText("1", "750"))
	quoted := func(s string) string { return "'" + strings.ReplaceAll(s, "'", "''") + "'" }
	text := house(t,
		"title: Saltmarsh Yard", "title: "+quoted(sql),
		"title: Yard book", "title: "+quoted(cel), "publisher: Saltmarsh Yard", "publisher: "+quoted(web), "edition: third", "edition: "+quoted(sql+cel),
		"says: Over 500 kg we fit brakes.", "says: "+quoted(cel), `clause: "2"`, "clause: "+quoted(web),
		"name: the line", "name: "+quoted(sql))
	text = []byte(strings.Replace(string(text), "    level: practice", "    remedy: "+quoted(sql)+"\n    caution: "+quoted(web)+"\n    level: practice", 1))
	v := d.publish(t, saltmarshYard, text)
	reason := sql + cel + web
	anna := who(t, saltmarshYard, "anna")
	a, err := d.Assess(anna, []byte(unbraked), false)
	if err != nil {
		t.Fatal(err)
	}
	ans := answer(t, a)
	found := false
	for _, f := range ans.Findings {
		if f.Rule == "house.brakes" {
			found = true
			if f.Remedy != sql || f.Citation.Title != cel || f.Citation.Clause != web {
				t.Errorf("the finding is %+v", f)
			}
		}
	}
	if !found || ans.Rulesets[1].Title != sql || ans.Sources[0].Publisher != web || ans.Sources[0].Edition != sql+cel {
		t.Errorf("the answer is %s", a.Answer)
	}
	if v, err = d.Withdraw(who(t, saltmarshYard, "ben"), v.ID, 1, v.ETag, reason); err != nil || v.Reason != reason {
		t.Errorf("the reason is %q (%v)", v.Reason, err)
	}
	rs, err := d.Ruleset(anna, v.ID)
	if err != nil || rs.Title != sql || rs.Versions[0].Reason != reason {
		t.Errorf("it is listed as %+v (%v)", rs, err)
	}
	// What an id could break is no id.
	for _, bad := range []string{sql, "house-", "house-a'b", "house-a/../b", "HOUSE-A"} {
		if _, err := d.Draft(anna, house(t, "ruleset: house-yard", "ruleset: "+quoted(bad))); !errors.As(err, new(law.Faults)) {
			t.Errorf("%q is an id: %v", bad, err)
		}
	}
	for _, edit := range []string{"id: house.brakes", "source: yard-book", "{id: yard-book"} {
		key, _, _ := strings.Cut(edit, ": ")
		if _, err := d.Draft(anna, house(t, edit, key+": "+quoted(sql))); !errors.As(err, new(law.Faults)) {
			t.Errorf("%s takes %q: %v", key, sql, err)
		}
	}
}
