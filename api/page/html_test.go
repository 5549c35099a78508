package page_test

import (
	"bytes"
	"crypto/sha256"
	"encoding/base64"
	"math"
	"os"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"golang.org/x/net/html"

	"drawgear/api/page"
)

// tree is a parsed page with its elements in order.
type tree struct {
	all []*html.Node
	ids map[string]*html.Node
}

func parse(t *testing.T, d *page.Document, p page.Paper) tree {
	t.Helper()
	out, err := d.HTML(p)
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.HasPrefix(out, []byte("<!DOCTYPE html>\n")) {
		t.Errorf("begins with %.40q", out)
	}
	root, err := html.Parse(bytes.NewReader(out))
	if err != nil {
		t.Fatal(err)
	}
	tr := tree{ids: map[string]*html.Node{}}
	for n := range root.Descendants() {
		if n.Type != html.ElementNode {
			continue
		}
		tr.all = append(tr.all, n)
		if id := attr(n, "id"); id != "" {
			if tr.ids[id] != nil {
				t.Errorf("two elements have the id %s", id)
			}
			tr.ids[id] = n
		}
	}
	return tr
}

func (tr tree) named(tags ...string) []*html.Node {
	var found []*html.Node
	for _, n := range tr.all {
		if slices.Contains(tags, n.Data) {
			found = append(found, n)
		}
	}
	return found
}

func attr(n *html.Node, name string) string {
	for _, a := range n.Attr {
		if a.Key == name {
			return a.Val
		}
	}
	return ""
}

func text(n *html.Node) string {
	var b strings.Builder
	for c := range n.Descendants() {
		if c.Type == html.TextNode {
			b.WriteString(c.Data)
		}
	}
	return b.String()
}

// TestHTMLStructure holds a page to what assistive technology needs of it.
func TestHTMLStructure(t *testing.T) {
	for _, p := range page.Papers {
		tr := parse(t, sample(), p)
		if root := tr.named("html"); attr(root[0], "lang") != "en-AU" {
			t.Errorf("the language is %q", attr(root[0], "lang"))
		}
		if title := tr.named("title"); text(title[0]) != sample().Title {
			t.Errorf("the title is %q", text(title[0]))
		}
		checkHeadings(t, tr)
		checkTables(t, tr)
		checkPictures(t, tr)
		for _, n := range tr.all {
			for _, id := range strings.Fields(attr(n, "aria-labelledby")) {
				if tr.ids[id] == nil || strings.TrimSpace(text(tr.ids[id])) == "" {
					t.Errorf("%s is labelled by %s, which is nothing", n.Data, id)
				}
			}
		}
		for _, tag := range []string{"main", "header", "footer", "h1"} {
			if n := len(tr.named(tag)); n != 1 {
				t.Errorf("%d elements %s", n, tag)
			}
		}
	}
}

func checkHeadings(t *testing.T, tr tree) {
	t.Helper()
	level := 0
	for _, h := range tr.named("h1", "h2", "h3", "h4", "h5", "h6") {
		next := int(h.Data[1] - '0')
		if next > level+1 {
			t.Errorf("%q is a %s below a heading of level %d", text(h), h.Data, level)
		}
		if strings.TrimSpace(text(h)) == "" {
			t.Errorf("an empty %s", h.Data)
		}
		level = next
	}
}

func checkTables(t *testing.T, tr tree) {
	t.Helper()
	for _, table := range tr.named("table") {
		first := table.FirstChild
		for first != nil && first.Type != html.ElementNode {
			first = first.NextSibling
		}
		if first == nil || first.Data != "caption" || text(first) == "" {
			t.Error("a table has no caption")
		}
	}
	rows := 0
	for _, th := range tr.named("th") {
		switch scope := attr(th, "scope"); {
		case th.Parent.Parent.Data == "thead" && scope == "col":
		case th.Parent.Parent.Data == "tbody" && scope == "row":
			rows++
		default:
			t.Errorf("the header %q has the scope %q in %s", text(th), scope, th.Parent.Parent.Data)
		}
	}
	if len(tr.named("table")) > 0 && rows == 0 {
		t.Error("no row has a header")
	}
}

// checkPictures finds words for every drawing: its own, or those beside a symbol.
func checkPictures(t *testing.T, tr tree) {
	t.Helper()
	described := 0
	for _, svg := range tr.named("svg") {
		if attr(svg, "aria-hidden") == "true" {
			near := svg.Parent.Parent // the symbol's span stands with its word
			if strings.TrimSpace(text(near)) == "" {
				t.Error("a symbol stands without a word")
			}
			continue
		}
		described++
		by := strings.Fields(attr(svg, "aria-labelledby"))
		if attr(svg, "role") != "img" || len(by) != 2 || tr.ids[by[0]].Data != "title" || tr.ids[by[1]].Data != "desc" {
			t.Errorf("a drawing is labelled by %q", by)
		}
	}
	if described != 1 {
		t.Errorf("%d drawings with a description", described)
	}
}

// TestHTMLPolicy tries the page against its own content security policy:
// nothing runs, nothing is fetched, and the one style sheet has the hash.
func TestHTMLPolicy(t *testing.T) {
	for _, p := range page.Papers {
		tr := parse(t, sample(), p)
		styles := tr.named("style")
		if len(styles) != 1 {
			t.Fatalf("%d style sheets", len(styles))
		}
		sum := sha256.Sum256([]byte(text(styles[0])))
		hash := "sha256-" + base64.StdEncoding.EncodeToString(sum[:])
		if hash != page.StyleHash(p) || !strings.Contains(page.ContentSecurityPolicy(p), "style-src '"+hash+"';") {
			t.Errorf("the style sheet has the hash %s, the policy says %s", hash, page.ContentSecurityPolicy(p))
		}
		if !strings.HasPrefix(page.ContentSecurityPolicy(p), "default-src 'none';") {
			t.Error("the policy lets something in")
		}
		for _, n := range tr.all {
			if slices.Contains([]string{"script", "link", "img", "iframe", "object", "embed", "form", "input", "details", "base"}, n.Data) {
				t.Errorf("there is a %s", n.Data)
			}
			for _, a := range n.Attr {
				fetches := a.Key == "src" || a.Key == "srcset" || a.Key == "href" && n.Data != "a" || strings.Contains(a.Val, "url(")
				if fetches || a.Key == "style" || a.Key == "hidden" || strings.HasPrefix(a.Key, "on") {
					t.Errorf("%s has %s=%q", n.Data, a.Key, a.Val)
				}
			}
		}
	}
}

func TestHTMLPrints(t *testing.T) {
	for p, size := range map[page.Paper]string{page.A4: "size: A4;", page.Letter: "size: Letter;"} {
		css := text(parse(t, sample(), p).named("style")[0])
		for _, want := range []string{"@page {", size, "@media print", "@media (max-width:", "table-header-group"} {
			if !strings.Contains(css, want) {
				t.Errorf("%s: the style sheet lacks %q", p, want)
			}
		}
		if strings.Contains(css, "@import") || strings.Contains(css, "url(") {
			t.Errorf("%s: the style sheet fetches something", p)
		}
	}
}

// TestHTMLSays looks for what must be on the page in words.
func TestHTMLSays(t *testing.T) {
	tr := parse(t, sample(), page.A4)
	body := text(tr.named("body")[0])
	for _, want := range said {
		if !strings.Contains(body, want) {
			t.Errorf("the page does not say %q", want)
		}
	}
	if !strings.Contains(body, "to be checked: Chains cross under the drawbar") {
		t.Error("an open box is not told")
	}
	if !strings.Contains(body, loads().Desc) {
		t.Error("the drawing is not described")
	}
	links := tr.named("a")
	if len(links) != 1 || attr(links[0], "href") != "https://law.example/light-trailers" {
		t.Errorf("%d links", len(links))
	}
}

// said is what both forms of the sample must say.
var said = []string{
	"Hand-over record: brakes of horse float SY-114", "Saltmarsh Yard, bay 2",
	"fit-2026-0114", "sha256:9f2c1d6e0b7a48537f10c2d94e6ab85130f7d2c96be8417a05d3fc92b1e6a470",
	"undetermined", "The rating of the tow ball was read from its stamp; the stamp was worn.",
	"What the law and the plates ask", "Breakaway holds 15 minutes", "Limit, kg",
	"met", "not met", "unknown", "not applicable",
	"Danger", "Warning", "Caution", "Note",
	"Where the loads act", "Axles 2100 kg", "Figure 1. Loads of the float at rest, not to scale.",
	"Hazard: ", "The float can roll over your feet.", "Measure: ", "Why: ", "Record: ",
	"done", "failed", "Chains cross under the drawbar",
	"A. Sample", "Signature", "by key fit-2", "Customer",
	"[S1] ", "Code of Light Trailers", "consolidated 2024", "clause 12(3)", "https://law.example/light-trailers",
	"Verified: text, 2026-11-20", "common practice, no published source",
}

func TestCautionsComeFirst(t *testing.T) {
	tr := parse(t, sample(), page.A4)
	headings := tr.named("h2")
	if text(headings[0]) != "Cautions" {
		t.Errorf("%q comes first", text(headings[0]))
	}
	section := text(headings[0].Parent)
	for _, c := range sample().Cautions {
		if !strings.Contains(section, c) {
			t.Errorf("%q is not among the cautions", c)
		}
	}
	none := sample()
	none.Cautions = nil
	first := text(parse(t, none, page.A4).named("h2")[0].Parent)
	if !strings.Contains(first, "No caution is recorded") {
		t.Errorf("without cautions the page says %q", first)
	}
}

// contrast is the contrast ratio of two colours, between 1 and 21.
//
// Source: Web Content Accessibility Guidelines 2.1, definitions of "contrast
// ratio" and "relative luminance" (second-hand: several pages give them alike).
func contrast(a, b string) float64 {
	x, y := luminance(a), luminance(b)
	return (max(x, y) + 0.05) / (min(x, y) + 0.05)
}

func luminance(colour string) float64 {
	hex := strings.TrimPrefix(colour, "#")
	if len(hex) == 3 {
		hex = string([]byte{hex[0], hex[0], hex[1], hex[1], hex[2], hex[2]})
	}
	sum := 0.0
	for i, weight := range []float64{0.2126, 0.7152, 0.0722} {
		v, err := strconv.ParseUint(hex[2*i:2*i+2], 16, 8)
		if err != nil {
			return math.NaN()
		}
		c := float64(v) / 255
		if c <= 0.03928 {
			c /= 12.92
		} else {
			c = math.Pow((c+0.055)/1.055, 2.4)
		}
		sum += weight * c
	}
	return sum
}

// TestContrast holds every colour of text against every ground at 7 to 1 (WCAG 2.1,
// 1.4.6), and lines against white at 3 to 1 (1.4.11).
func TestContrast(t *testing.T) {
	// The ends of the scale are in the definition; #767676 is widely given as
	// the lightest grey on white that keeps 4.5 to 1.
	for _, c := range []struct {
		a, b string
		want float64
	}{{"#000", "#fff", 21}, {"#fff", "#ffffff", 1}, {"#767676", "#fff", 4.54}} {
		if got := contrast(c.a, c.b); math.Abs(got-c.want) > 0.005 {
			t.Errorf("contrast of %s on %s is %.3f, want %.2f", c.a, c.b, got, c.want)
		}
	}

	css, err := os.ReadFile("style.css")
	if err != nil {
		t.Fatal(err)
	}
	var inks, grounds, lines []string
	for _, m := range regexp.MustCompile(`([a-z-]+):([^;{}]*)[;}]`).FindAllSubmatch(css, -1) {
		colours := regexp.MustCompile(`#[0-9a-fA-F]+\b`).FindAllString(string(m[2]), -1)
		switch string(m[1]) {
		case "color":
			if len(colours) != 1 {
				t.Errorf("a colour of text is %q", m[2])
			}
			inks = append(inks, colours...)
		case "background", "background-color":
			if len(colours) != 1 {
				t.Errorf("a ground is %q", m[2])
			}
			grounds = append(grounds, colours...)
		default:
			lines = append(lines, colours...)
		}
	}
	if len(inks) < 3 || len(grounds) < 2 || len(lines) < 3 {
		t.Fatalf("found %d, %d and %d colours", len(inks), len(grounds), len(lines))
	}
	for _, ink := range inks {
		for _, ground := range grounds {
			if got := contrast(ink, ground); !(got >= 7) {
				t.Errorf("%s on %s has a contrast of %.2f", ink, ground, got)
			}
		}
	}
	for _, l := range lines {
		if got := contrast(l, "#fff"); !(got >= 3) {
			t.Errorf("a line of %s has a contrast of %.2f", l, got)
		}
	}
}

func TestOddAddresses(t *testing.T) {
	for _, address := range []string{"javascript:alert(1)", "data:text/html,x", "//law.example", "law.example", "https:", "\x01"} {
		d := sample()
		d.Sections = []page.Section{{Heading: "Sources", Blocks: []page.Block{
			page.Sources{{Title: "A source", URL: address, Checked: "memory"}},
		}}}
		if links := parse(t, d, page.A4).named("a"); len(links) != 0 {
			t.Errorf("%q became a link to %q", address, attr(links[0], "href"))
		}
	}
}
