package openapi_test

import (
	"encoding/json"
	"fmt"
	"maps"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/getkin/kin-openapi/openapi3"
	"go.yaml.in/yaml/v3"

	"drawgear/openapi"
	"drawgear/openapi/openapitest"
)

func contract(t *testing.T) *openapi3.T {
	t.Helper()
	doc, err := openapitest.Document()
	if err != nil {
		t.Fatalf("the contract is no valid OpenAPI document, or one of its examples is none: %v", err)
	}
	return doc
}

func TestVersion(t *testing.T) {
	if got := contract(t).OpenAPI; got != "3.0.3" {
		t.Errorf("the contract says OpenAPI %s, want 3.0.3", got)
	}
}

func TestJSONIsTheSameDocument(t *testing.T) {
	var fromYAML any
	if err := yaml.Unmarshal(openapi.YAML(), &fromYAML); err != nil {
		t.Fatal(err)
	}
	want, err := json.Marshal(fromYAML)
	if err != nil {
		t.Fatalf("the contract has something that JSON cannot say: %v", err)
	}
	var tree any
	if err := json.Unmarshal(openapi.JSON(), &tree); err != nil {
		t.Fatalf("the JSON form is no JSON: %v", err)
	}
	got, err := json.Marshal(tree)
	if err != nil {
		t.Fatal(err)
	}
	if string(got) != string(want) {
		t.Error("the JSON form says something else than the YAML form")
	}
	if !strings.HasPrefix(string(openapi.JSON()), `{"openapi":"3.0.3","info":`) {
		t.Error("the JSON form is not in the order of the document")
	}
	if strings.Contains(string(openapi.YAML()), "\t") {
		t.Error("the YAML form has a tab")
	}
}

// TestOperations: what requests are checked against at run time is what the
// contract says by another reader.
func TestOperations(t *testing.T) {
	var got, want []string
	for _, op := range openapi.Operations() {
		got = append(got, fmt.Sprint(op.Method, op.Path, op.ID))
		for _, p := range op.Parameters {
			s := p.Schema
			got = append(got, fmt.Sprint(op.ID, p.In, p.Name, s.Type, s.Pattern, s.Enum, number(s.Minimum), number(s.Maximum), number(s.MaxLength)))
		}
	}
	for path, item := range contract(t).Paths.Map() {
		for method, op := range item.Operations() {
			want = append(want, fmt.Sprint(method, path, op.OperationID))
			for _, ref := range op.Parameters {
				p, s := ref.Value, ref.Value.Schema.Value
				words := []string{}
				for _, w := range s.Enum {
					words = append(words, fmt.Sprint(w))
				}
				length := "-"
				if s.MaxLength != nil {
					length = fmt.Sprint(*s.MaxLength)
				}
				want = append(want, fmt.Sprint(op.OperationID, p.In, p.Name, s.Type.Slice()[0], s.Pattern, words, float(s.Min), float(s.Max), length))
			}
		}
	}
	slices.Sort(got)
	slices.Sort(want)
	if !slices.Equal(got, want) {
		t.Errorf("operations are\n%s\nwant\n%s", strings.Join(got, "\n"), strings.Join(want, "\n"))
	}
}

func number(n *int) string {
	if n == nil {
		return "-"
	}
	return fmt.Sprint(*n)
}

func float(f *float64) string {
	if f == nil {
		return "-"
	}
	return fmt.Sprint(int(*f))
}

// The lint: what every reader of a contract may expect.

func TestLintOperations(t *testing.T) {
	doc := contract(t)
	tags := map[string]bool{}
	for _, tag := range doc.Tags {
		tags[tag.Name] = true
		sentence(t, "tag "+tag.Name, tag.Description)
	}
	used, ids := map[string]bool{}, map[string]bool{}
	camel := regexp.MustCompile(`^[a-z]+([A-Z][a-z]+)+$`)
	for path, item := range doc.Paths.Map() {
		if strings.HasSuffix(path, "/") || strings.ToLower(path) != path {
			t.Errorf("%s: a path is in lower case and ends with a name", path)
		}
		for method, op := range item.Operations() {
			at := method + " " + path
			if !camel.MatchString(op.OperationID) || ids[op.OperationID] {
				t.Errorf("%s: operationId %q is missing, of another form or taken", at, op.OperationID)
			}
			ids[op.OperationID] = true
			if op.Summary == "" || strings.HasSuffix(op.Summary, ".") || op.Summary == op.Description {
				t.Errorf("%s: the summary is missing, a sentence, or the description again", at)
			}
			sentence(t, at, op.Description)
			if len(op.Tags) != 1 || !tags[op.Tags[0]] {
				t.Errorf("%s: tags %v are not one of those at the top", at, op.Tags)
			}
			used[strings.Join(op.Tags, "")] = true
			for _, p := range op.Parameters {
				sentence(t, at+" parameter "+p.Value.Name, p.Value.Description)
			}
			for _, name := range regexp.MustCompile(`\{(\w+)\}`).FindAllStringSubmatch(path, -1) {
				if op.Parameters.GetByInAndName("path", name[1]) == nil {
					t.Errorf("%s: parameter %s is not described", at, name[1])
				}
			}
			if op.RequestBody != nil {
				sentence(t, at+" body", op.RequestBody.Value.Description)
			}
			responses(t, at, op)
		}
	}
	for tag := range tags {
		if !used[tag] {
			t.Errorf("tag %s has no operation", tag)
		}
	}
}

// TestLintSecurity: every operation is open or says what scope it needs, and
// can then be refused for the want of it.
func TestLintSecurity(t *testing.T) {
	doc := contract(t)
	if len(doc.Security) != 1 || doc.Security[0]["bearer"] == nil {
		t.Errorf("the whole contract asks for %v, want a bearer", doc.Security)
	}
	scopes := []any{openapi.ScopeAny}
	scopes = append(scopes, doc.Components.Schemas["Scope"].Value.Enum...)
	open := []string{"getContract", "getDocs", "getDocsAsset", "getProblemKind", "getLiveness", "getReadiness"}
	for path, item := range doc.Paths.Map() {
		for method, op := range item.Operations() {
			at := method + " " + path
			scope, scoped := op.Extensions["x-scope"]
			if slices.Contains(open, op.OperationID) {
				if op.Security == nil || len(*op.Security) > 0 || scoped {
					t.Errorf("%s: not open", at)
				}
				continue
			}
			if op.Security != nil {
				t.Errorf("%s: has a security of its own; what is open is listed in this test", at)
			}
			if !slices.Contains(scopes, scope) {
				t.Errorf("%s: x-scope is %v, want one of %v", at, scope, scopes)
			}
			for _, status := range []string{"401", "403"} {
				if op.Responses.Value(status) == nil {
					t.Errorf("%s: no response %s", at, status)
				}
			}
		}
	}
	for _, op := range openapi.Operations() {
		o := doc.Paths.Value(op.Path).GetOperation(op.Method)
		scope, _ := o.Extensions["x-scope"].(string)
		if op.Scope != scope || op.Open != slices.Contains(open, op.ID) {
			t.Errorf("%s: read as scope %q, open %v", op.ID, op.Scope, op.Open)
		}
	}
}

// responses: every operation can succeed, be refused and fail, and says with
// what.
func responses(t *testing.T, at string, op *openapi3.Operation) {
	var classes []byte
	for status, ref := range op.Responses.Map() {
		r := ref.Value
		if r.Description == nil || *r.Description == "" {
			t.Errorf("%s %s: no description", at, status)
		}
		for name, h := range r.Headers {
			sentence(t, at+" "+status+" header "+name, h.Value.Description)
		}
		classes = append(classes, status[0])
		switch choice := op.Responses.Value("406") != nil; {
		case len(r.Content) == 0 && status != "204", len(r.Content) > 1 && status[0] != '2':
			t.Errorf("%s %s: %d kinds of content", at, status, len(r.Content))
		case status[0] == '2' && choice != (len(r.Content) > 1):
			t.Errorf("%s %s: %d kinds of content, and 406 is described: %v", at, status, len(r.Content), choice)
		}
		problem := r.Content["application/problem+json"] != nil
		if status[0] == '2' && problem || status[0] == '4' && !problem {
			t.Errorf("%s %s: a refusal, and only that, comes as a problem", at, status)
		}
	}
	for _, class := range "245" {
		if !slices.Contains(classes, byte(class)) {
			t.Errorf("%s: no response of class %c", at, class)
		}
	}
	for _, p := range op.Parameters {
		if p.Value.In == "path" && op.Responses.Value("404") == nil {
			t.Errorf("%s: what %s names may not be there, and 404 is missing", at, p.Value.Name)
		}
	}
}

func sentence(t *testing.T, at, text string) {
	t.Helper()
	text = strings.TrimSpace(text)
	if text == "" || !strings.HasSuffix(text, ".") && !strings.HasSuffix(text, "?") && !strings.HasSuffix(text, "|") {
		t.Errorf("%s: description %q is no sentence", at, text)
	}
}

func TestLintSchemas(t *testing.T) {
	doc := contract(t)
	for _, name := range slices.Sorted(maps.Keys(doc.Components.Schemas)) {
		s := doc.Components.Schemas[name].Value
		sentence(t, "schema "+name, s.Description)
		if !s.Type.Is("object") && s.Example == nil {
			t.Errorf("schema %s: no example", name)
		}
		lintSchema(t, name, s)
	}
}

// lintSchema looks at the properties of a schema and, through those written in
// place, below.
func lintSchema(t *testing.T, at string, s *openapi3.Schema) {
	if s.Items != nil && s.Items.Ref == "" {
		lintSchema(t, at+"[]", s.Items.Value)
	}
	if !s.Type.Is("object") {
		return
	}
	if s.AdditionalProperties.Has == nil && s.AdditionalProperties.Schema == nil {
		t.Errorf("%s: it is not said whether other names are allowed", at)
	}
	for _, name := range s.Required {
		if s.Properties[name] == nil {
			t.Errorf("%s: %s is required and not described", at, name)
		}
	}
	for name, ref := range s.Properties {
		at := at + "." + name
		if strings.ToLower(name) != name || strings.Contains(name, "-") {
			t.Errorf("%s: names are in snake_case", at)
		}
		p := ref.Value
		if ref.Ref != "" {
			continue // described where it is defined
		}
		if p.Nullable && at != "RulesetDocument.examples" {
			t.Errorf("%s: what is not known is left out, never null", at)
		}
		sentence(t, at, p.Description)
		compound := p.Type.Is("object") && len(p.Properties) > 0 || p.Items != nil && whole(p.Items.Value) ||
			len(p.AllOf) == 1 && whole(p.AllOf[0].Value)
		if p.Example == nil && !compound {
			t.Errorf("%s: no example", at)
		}
		lintSchema(t, at, p)
	}
}

// whole is an object whose own properties have the examples.
func whole(s *openapi3.Schema) bool { return s.Type.Is("object") && len(s.Properties) > 0 }

// TestLintUnused: every component is used.
func TestLintUnused(t *testing.T) {
	doc, text := contract(t), string(openapi.YAML())
	for kind, names := range map[string][]string{
		"schemas":    slices.Collect(maps.Keys(doc.Components.Schemas)),
		"parameters": slices.Collect(maps.Keys(doc.Components.Parameters)),
		"responses":  slices.Collect(maps.Keys(doc.Components.Responses)),
	} {
		for _, name := range names {
			if !strings.Contains(text, "'#/components/"+kind+"/"+name+"'") {
				t.Errorf("%s %s is not used", kind, name)
			}
		}
	}
}

// TestProblemsAreListed: the table of types, their enum and the responses that
// name them say the same.
func TestProblemsAreListed(t *testing.T) {
	doc := contract(t)
	problem := doc.Components.Schemas["Problem"].Value
	rows := map[string]string{}
	for _, m := range regexp.MustCompile("(?m)^\\| `(/problems/[a-z-]+)` \\| (\\d{3}) \\|").FindAllStringSubmatch(problem.Description, -1) {
		rows[m[1]] = m[2]
	}
	for _, word := range problem.Properties["type"].Value.Enum {
		if rows[word.(string)] == "" {
			t.Errorf("%s is not in the table", word)
		}
	}
	if len(rows) != len(problem.Properties["type"].Value.Enum) {
		t.Errorf("the table has %d types and the enum %d", len(rows), len(problem.Properties["type"].Value.Enum))
	}
	for path, item := range doc.Paths.Map() {
		for method, op := range item.Operations() {
			for status, ref := range op.Responses.Map() {
				for _, kind := range regexp.MustCompile("/problems/[a-z-]+").FindAllString(*ref.Value.Description, -1) {
					if rows[kind] != status {
						t.Errorf("%s %s: %s is said to have status %s, the table says %q", method, path, kind, status, rows[kind])
					}
				}
			}
		}
	}
}
