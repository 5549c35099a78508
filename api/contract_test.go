package api_test

import (
	"encoding/json"
	"fmt"
	"maps"
	"reflect"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/getkin/kin-openapi/openapi3"

	"drawgear/api"
	"drawgear/openapi"
	"drawgear/openapi/openapitest"
	"drawgear/rules"
	comparison "drawgear/rules/compare"
	"drawgear/rules/duty"
	"drawgear/rules/law"
	"drawgear/rules/loads"
	"drawgear/rules/quantity"
	"drawgear/rules/rig"
	"drawgear/service"
)

func schemas(t testing.TB) openapi3.Schemas {
	t.Helper()
	doc, err := openapitest.Document()
	if err != nil {
		t.Fatalf("read the contract: %v", err)
	}
	return doc.Components.Schemas
}

// bare looks through the allOf of one that gives a reference a description of
// its own.
func bare(ref *openapi3.SchemaRef) *openapi3.SchemaRef {
	if ref.Ref == "" && len(ref.Value.AllOf) == 1 {
		return ref.Value.AllOf[0]
	}
	return ref
}

func refName(ref *openapi3.SchemaRef) string {
	return strings.TrimPrefix(bare(ref).Ref, "#/components/schemas/")
}

// leaves collects the fields of the rig schema by pointer, objects apart.
func leaves(s *openapi3.Schema, at string, out map[string]*openapi3.SchemaRef) {
	for name, ref := range s.Properties {
		if p := ref.Value; ref.Ref == "" && p.Type.Is("object") {
			leaves(p, at+"/"+name, out)
			continue
		}
		out[at+"/"+name] = ref
	}
}

func words(s *openapi3.Schema) []string {
	var out []string
	for _, w := range s.Enum {
		out = append(out, fmt.Sprint(w))
	}
	return out
}

// TestRigFields holds the rig of the contract and the table of facts to each
// other.
func TestRigFields(t *testing.T) {
	contract := map[string]*openapi3.SchemaRef{}
	leaves(schemas(t)["Rig"].Value, "", contract)
	for _, own := range []string{"/jurisdiction", "/parts", "/vehicle/items", "/trailer/items"} {
		if contract[own] == nil {
			t.Errorf("the contract has no %s", own)
		}
		delete(contract, own)
	}
	for _, f := range rig.Fields() {
		if f.Derived() {
			continue
		}
		ref := contract[f.Pointer]
		if ref == nil {
			t.Errorf("%s is in rules/rig/field.go and not in the contract: describe it under Rig in openapi/openapi.yaml", f.Pointer)
			continue
		}
		delete(contract, f.Pointer)
		for _, fault := range differs(f, ref) {
			t.Errorf("%s: %s", f.Pointer, fault)
		}
	}
	for ptr := range contract {
		t.Errorf("%s is in the contract and not in rules/rig/field.go", ptr)
	}
}

// differs lists where the schema of a field does not have its kind, words and
// limits.
func differs(f rig.Field, ref *openapi3.SchemaRef) (faults []string) {
	s := bare(ref).Value
	is := func(ok bool, format string, args ...any) {
		if !ok {
			faults = append(faults, fmt.Sprintf(format, args...))
		}
	}
	is(ref.Value.Description != "" && ref.Value.Example != nil, "has no description or no example of its own")
	is((ref.Value.Pattern == "[1-9]") == f.NotZero, "pattern is %q, and that it is not zero: %v", ref.Value.Pattern, f.NotZero)
	item := s
	if f.Kind == rig.KindWords || f.Kind == rig.KindCounts || f.Kind == rig.KindMasses {
		is(s.Type.Is("array"), "must be an array")
		if s.Items == nil {
			return append(faults, "has no items")
		}
		is(s.MaxItems != nil && *s.MaxItems == rig.MaxList, "must have at most %d items", rig.MaxList)
		is((s.MinItems == 1) == (f.Kind == rig.KindMasses), "minItems %d is not what the decoder asks", s.MinItems)
		ref, item = s.Items, s.Items.Value
	}
	switch f.Kind {
	case rig.KindQuantity, rig.KindMasses:
		want := strings.ToUpper(f.Dim.String()[:1]) + f.Dim.String()[1:]
		is(refName(ref) == want, "must refer to %s, not %q", want, refName(ref))
	case rig.KindBool:
		is(item.Type.Is("boolean"), "must be a boolean")
	case rig.KindCount, rig.KindCounts:
		is(item.Type.Is("integer"), "must be an integer")
		least := 0.0
		if f.Kind == rig.KindCounts {
			least = 1 // places are counted from 1
		}
		is(item.Min != nil && *item.Min == least && item.Max != nil && *item.Max == 100, "must lie between %v and 100", least)
	case rig.KindWord, rig.KindWords:
		is(item.Type.Is("string"), "must be a string")
		is(slices.Equal(words(item), f.Words), "words are %v, want %v", words(item), f.Words)
	case rig.KindText:
		is(refName(ref) == "Text", "must refer to Text")
	case rig.KindDate:
		is(refName(ref) == "Day", "must refer to Day")
	default:
		is(false, "is of kind %d, which this test does not know", f.Kind)
	}
	return faults
}

// TestLimits holds the limits that the contract states to those of the decoder.
func TestLimits(t *testing.T) {
	all := schemas(t)
	if got := all["Text"].Value.MaxLength; got == nil || *got != rig.MaxText {
		t.Errorf("Text has maxLength %v, want %d", got, rig.MaxText)
	}
	parts := all["Rig"].Value.Properties["parts"].Value
	if parts.MaxItems == nil || *parts.MaxItems != rig.MaxParts {
		t.Errorf("parts has maxItems %v, want %d", parts.MaxItems, rig.MaxParts)
	}
	doc, err := openapitest.Document()
	if err != nil {
		t.Fatal(err)
	}
	op := doc.Paths.Value("/v1/assessments").Post.Description
	for _, text := range []string{fmt.Sprintf("%d KiB\n(%d bytes)", rig.MaxBytes>>10, rig.MaxBytes), fmt.Sprintf("nested at most %d deep", rig.MaxDepth)} {
		if !strings.Contains(op, strings.ReplaceAll(text, "\n", " ")) {
			t.Errorf("POST /v1/assessments does not say %q", text)
		}
	}
	limit := doc.Components.Parameters["Limit"].Value.Schema.Value
	if *limit.Max != service.MaxLimit || limit.Default != float64(service.DefaultLimit) {
		t.Errorf("limit goes to %v with default %v, want %d and %d", *limit.Max, limit.Default, service.MaxLimit, service.DefaultLimit)
	}
	// Limits that the decoder keeps to itself show in what it takes.
	for rigText, want := range map[string]bool{
		`{"jurisdiction":"GB","trailer":{"axle_count":100}}`: true,
		`{"jurisdiction":"GB","trailer":{"axle_count":101}}`: false,
		`{"jurisdiction":"GB","trailer":{"axle_count":-1}}`:  false,
		`{"parts":[{"role":"chain","count":100}]}`:           true,
		`{"parts":[{"role":"chain","count":101}]}`:           false,
		`{"parts":[{"role":"chain","count":0}]}`:             true,
	} {
		if _, err := rig.Decode([]byte(rigText)); (err == nil) != want {
			t.Errorf("decoding %s: %v", rigText, err)
		}
	}
}

// TestQuantities holds the schema of each dimension of the rig to the parser.
func TestQuantities(t *testing.T) {
	all := schemas(t)
	used := map[quantity.Dimension]bool{quantity.Force: true} // of parts
	for _, f := range rig.Fields() {
		if !f.Derived() && f.Dim != 0 {
			used[f.Dim] = true
		}
	}
	for dim := range used {
		name := strings.ToUpper(dim.String()[:1]) + dim.String()[1:]
		if all[name] == nil {
			t.Errorf("there is no schema %s", name)
			continue
		}
		s := all[name].Value
		pattern := regexp.MustCompile(s.Pattern)
		units := strings.TrimSuffix(s.Pattern[strings.Index(s.Pattern, "? *")+3:], " *$")
		var want []string
		for _, u := range dim.Units() {
			want = append(want, u.Symbol())
		}
		if got := strings.Split(strings.Trim(units, "()"), "|"); !slices.Equal(got, want) {
			t.Errorf("%s: units are %v, want %v", name, got, want)
		}
		accepts := func(text string) bool { return len(text) <= int(*s.MaxLength) && pattern.MatchString(text) }
		var texts []string
		for _, d := range quantity.Dimensions() {
			for _, u := range d.Units() {
				texts = append(texts, "5 "+u.Symbol())
			}
		}
		unit := dim.BaseUnit().Symbol()
		for _, form := range []string{
			"5%s", "0 %s", "0.5 %s", "00.50 %s", "  5   %s  ", "5 %s" + strings.Repeat(" ", 64), "5", "5 ", "", "%s", "-5 %s", "+5 %s", ".5 %s", "5. %s",
			"5,5 %s", "1e3 %s", "5 5 %s", "5\t%s", "\n5 %s", "5 %ss", "5 %s x", "٥ %s", "NaN %s",
		} {
			texts = append(texts, strings.ReplaceAll(form, "%s", unit))
		}
		for _, text := range texts {
			_, err := quantity.Parse(dim, text)
			if (err == nil) != accepts(text) {
				t.Errorf("%s: the contract takes %q: %v; the parser says %v", name, text, accepts(text), err)
			}
		}
		if !strings.Contains(s.Description, "up to ") {
			t.Errorf("%s does not say up to what", name)
			continue
		}
		_, most, _ := strings.Cut(s.Description, "up to ")
		q, err := quantity.Parse(dim, strings.TrimSuffix(most, "."))
		if err != nil || q.Base() != dim.Max() {
			t.Errorf("%s says up to %q, which is not the most that the parser takes (%v)", name, most, err)
		}
	}
}

// TestParts holds the schema of a part to the decoder, field by field.
func TestParts(t *testing.T) {
	part := schemas(t)["Part"].Value
	if got, want := slices.Sorted(maps.Keys(part.Properties)), slices.Sorted(slices.Values(rig.PartFields)); !slices.Equal(got, want) {
		t.Fatalf("a part has %v, want %v", got, want)
	}
	if got := words(part.Properties["role"].Value); !slices.Equal(got, rig.PartRoles) {
		t.Errorf("roles are %v, want %v", got, rig.PartRoles)
	}
	values := []any{"5 kg", "5 kN", "5 mm", "text", 5, true, "chain"}
	for name, ref := range part.Properties {
		for _, v := range append(values, ref.Value.Example) {
			doc := map[string]any{"role": "chain", name: v}
			text, err := json.Marshal(map[string]any{"parts": []any{doc}})
			if err != nil {
				t.Fatal(err)
			}
			var tree any
			if err := json.Unmarshal(text, &tree); err != nil {
				t.Fatal(err)
			}
			_, decodeErr := rig.Decode(text)
			schemaErr := part.VisitJSON(tree.(map[string]any)["parts"].([]any)[0])
			if (decodeErr == nil) != (schemaErr == nil) {
				t.Errorf("part %s = %v: the decoder says %v, the contract %v", name, v, decodeErr, schemaErr)
			}
		}
	}
}

// TestItems holds the schemas of things carried to the decoder, field by field.
func TestItems(t *testing.T) {
	for _, of := range []struct{ section, schema, place string }{{"trailer", "TrailerItem", "behind_coupling"}, {"vehicle", "VehicleItem", "behind_front_axle"}} {
		item := schemas(t)[of.schema].Value
		if got, want := slices.Sorted(maps.Keys(item.Properties)), []string{of.place, "mass", "name"}; !slices.Equal(got, want) {
			t.Fatalf("%s has %v, want %v", of.schema, got, want)
		}
		for _, name := range []string{"name", "mass", of.place, "other"} {
			for _, v := range []any{"5 kg", "0 m", "-5 m", "", 5, true, nil} {
				doc := map[string]any{name: v}
				text, err := json.Marshal(map[string]any{of.section: map[string]any{"items": []any{doc}}})
				if err != nil {
					t.Fatal(err)
				}
				var tree any
				if v == 5 {
					doc[name] = 5.0
				}
				tree = doc
				_, decodeErr := rig.Decode(text)
				if schemaErr := item.VisitJSON(tree); (decodeErr == nil) != (schemaErr == nil) {
					t.Errorf("%s %s = %v: the decoder says %v, the contract %v", of.schema, name, v, decodeErr, schemaErr)
				}
			}
		}
	}
}

// TestExamplesAreOneRig: the examples of all fields, taken together, are a rig
// that contradicts nothing.
func TestExamplesAreOneRig(t *testing.T) {
	var build func(s *openapi3.Schema) any
	build = func(s *openapi3.Schema) any {
		if s.Items != nil && len(s.Items.Value.Properties) > 0 && s.Items.Value.Properties["role"] == nil {
			return []any{build(s.Items.Value)}
		}
		if len(s.Properties) == 0 {
			return s.Example
		}
		out := map[string]any{}
		for name, ref := range s.Properties {
			out[name] = build(ref.Value)
		}
		return out
	}
	all := schemas(t)
	doc := build(all["Rig"].Value).(map[string]any)
	part := build(all["Part"].Value).(map[string]any)
	delete(part, "breaking_mass") // it or breaking_force
	doc["parts"] = []any{part}
	text, err := json.Marshal(doc)
	if err != nil {
		t.Fatal(err)
	}
	r := call(t, newServer(t), "POST", "/v1/assessments?record=false", string(text))
	if r.Status != 200 {
		t.Errorf("the examples of all fields together were answered with %d: %s", r.Status, r.Body)
	}
}

// TestReplySchemas holds every schema of a reply to the type that is written.
func TestReplySchemas(t *testing.T) {
	for name, value := range map[string]any{
		"Answer": rules.Answer{}, "Answers": rules.Answers{}, "Question": rules.Question{}, "Finding": rules.Finding{},
		"Citation": rules.Citation{}, "Conflict": rules.Conflict{}, "Notice": rules.Notice{}, "Missing": rules.Missing{},
		"Ask": rules.Ask{}, "AnswerSource": rules.Source{}, "RulesetRef": rules.RulesetRef{}, "Interval": rules.Interval{}, "Input": rig.Input{}, "Derivation": rig.Derivation{},
		"Jurisdiction": rules.Jurisdiction{}, "Source": rules.CitedSource{}, "Checked": law.Checked{},
		"Assessment": service.Assessment{}, "AssessmentSummary": service.Summary{}, "Replay": service.Replay{},
		"MinimalAssessment": service.MinimalAssessment{}, "MinimalAnswer": rules.Minimal{}, "MinimalAnswers": rules.MinimalAnswers{}, "MinimalQuestion": rules.MinimalQuestion{},
		"MinimalFinding": rules.MinimalFinding{}, "MinimalMissing": rules.MinimalMissing{}, "MinimalRuleset": rules.MinimalRuleset{},
		"MinimalTrip": rules.MinimalTrip{}, "MinimalTripAssessment": service.MinimalTripAssessment{}, "Trip": rules.Trip{}, "TripAssessment": service.TripAssessment{},
		"Ruleset": service.Ruleset{}, "RulesetVersion": service.RulesetVersion{}, "Readiness": service.Readiness{},
		"AssessmentPage": service.Page[service.Summary]{}, "RulesetPage": service.All[service.Ruleset]{}, "RulesetVersionPage": service.All[service.VersionLine]{},
		"RulesetLine": service.VersionLine{}, "RulesetReport": service.Report{}, "RulesetFault": law.Fault{}, "IncompleteCitation": service.Incomplete{},
		"Survey": rules.Survey{}, "SurveyRegion": rules.Region{}, "SurveyOverlap": rules.Overlap{},
		"Comparison": comparison.Comparison{}, "ComparedRule": comparison.RuleLine{}, "ChangedRule": comparison.Changed{}, "RuleDifference": comparison.Detail{}, "ComparedRig": comparison.Difference{},
		"JurisdictionPage": service.All[rules.Jurisdiction]{}, "SourcePage": service.All[rules.CitedSource]{},
		"RulesetDocument": law.Document{}, "Rule": law.RuleText{}, "Cite": law.Cite{}, "RulesetSource": law.Source{},
		"WorkedExample": law.Example{}, "Oblige": duty.Oblige{}, "Problem": api.Problem{}, "Fault": api.Fault{}, "ProblemKind": openapi.ProblemKind{},
		"LoadSheet": service.LoadSheet{}, "LimitSheet": service.LimitSheet{}, "Loads": loads.Loads{}, "LoadColumn": loads.Column{}, "LoadLink": loads.Link{},
		"LoadLine": loads.Line{}, "LoadHeld": loads.Held{}, "LoadFigure": loads.Figure{}, "LoadSource": loads.Source{}, "LoadStatic": loads.Static{},
		"LoadState": loads.State{}, "LoadLevel": loads.Level{}, "LoadBall": loads.Ball{}, "LoadBallLimit": loads.BallLimit{}, "LoadMove": loads.Move{},
		"LoadBraking": loads.Braking{}, "LoadRequired": loads.Required{}, "LoadStopping": loads.Stopping{}, "LoadParking": loads.Parking{},
		"LoadAdvice": loads.Advice{}, "LoadFault": loads.Fault{}, "LoadMaxTotal": loads.MaxTotal{}, "LoadMaxLimit": loads.MaxLimit{}, "LoadUnjudged": loads.Unjudged{},
		"TrailerLimits": rules.Limits{}, "LimitLoading": rules.Loading{}, "MassLimit": rules.Limit{}, "MassRegion": rules.MassRegion{}, "LimitBinding": rules.Binding{},
		"NextLimit": rules.NextLimit{}, "BrakeArrangement": rules.Arrangement{}, "RigChangeSet": rules.ChangeSet{}, "RigChange": rules.Change{}, "RigSetting": rules.Setting{},
		"Audit": service.Audit{}, "AuditAsk": service.AuditAsk{}, "AuditLaw": service.AuditLaw{}, "AuditDraft": service.DraftLaw{}, "AuditSource": service.AuditSource{},
		"AuditColumn": service.AuditColumn{}, "AuditPage": service.AuditPage{}, "AuditItem": service.AuditItem{}, "AuditItemDetail": service.AuditItemDetail{},
		"AuditItemPage": service.AuditItemPage{}, "AuditPartNeed": service.PartNeed{}, "AuditPartOffer": service.PartOffer{}, "AuditFault": service.AuditFault{},
		"AuditSummary": service.AuditSummary{}, "AuditCount": service.AuditCount{}, "AuditPartCount": service.AuditPartCount{}, "AuditCost": service.AuditCost{},
		"AuditPlace": service.AuditPlace{}, "AuditSide": service.AuditSide{}, "AuditMove": service.AuditMove{}, "AuditComparison": service.AuditComparison{},
		"AuditChange": service.AuditChange{}, "FleetColumn": api.FleetColumn{}, "AuditColumnPage": api.AuditColumnPage{},
		"RegisterEntry": service.RegisterEntry{}, "RegisterFitted": service.RegisterFitted{}, "RegisterPage": service.RegisterPage{}, "RegisterFit": service.RegisterFit{},
		"RegisterFitList": service.All[service.RegisterFit]{}, "RegisterImport": service.RegisterImport{}, "RegisterWrite": service.RegisterWrite{}, "RegisterAsk": service.RegisterAsk{},
		"Webhook": service.HookView{}, "WebhookList": service.All[service.HookView]{}, "WebhookWrite": service.HookWrite{}, "WebhookDelivery": service.DeliveryView{},
		"WebhookAttempt": service.AttemptView{}, "WebhookDeliveryPage": service.DeliveryPage{},
		"Key": api.Key{}, "IssuedKey": api.IssuedKey{}, "KeyPage": api.KeyPage{},
	} {
		t.Run(name, func(t *testing.T) {
			compare(t, name, schemas(t)[name].Value, reflect.TypeOf(value))
		})
	}
}

// compare holds an object schema to a struct, by the names, the need and the
// kinds of its JSON.
func compare(t *testing.T, at string, s *openapi3.Schema, typ reflect.Type) {
	t.Helper()
	fields := map[string]reflect.Type{}
	var required []string
	for _, f := range reflect.VisibleFields(typ) {
		tag := f.Tag.Get("json")
		if f.Anonymous || !f.IsExported() || tag == "-" || len(f.Index) > 1 && !typ.Field(f.Index[0]).Anonymous {
			continue
		}
		name, option, _ := strings.Cut(tag, ",")
		if name == "" {
			t.Errorf("%s: field %s has no name in JSON", at, f.Name)
		}
		fields[name] = f.Type
		if option == "" {
			required = append(required, name)
		}
	}
	if got, want := slices.Sorted(maps.Keys(s.Properties)), slices.Sorted(maps.Keys(fields)); !slices.Equal(got, want) {
		t.Errorf("%s: the contract has\n%v\nand the code writes\n%v", at, got, want)
		return
	}
	slices.Sort(required)
	if got := slices.Sorted(slices.Values(s.Required)); !slices.Equal(got, required) {
		t.Errorf("%s: required are\n%v\nand always written\n%v", at, got, required)
	}
	if has := s.AdditionalProperties.Has; has == nil || *has {
		t.Errorf("%s: other names are allowed", at)
	}
	for name, typ := range fields {
		compareType(t, at+"."+name, s.Properties[name], typ)
	}
}

func compareType(t *testing.T, at string, ref *openapi3.SchemaRef, typ reflect.Type) {
	t.Helper()
	s := bare(ref).Value
	if typ.Kind() == reflect.Pointer {
		typ = typ.Elem()
	}
	if typ.Kind() == reflect.Interface {
		return // whatever the field of the rig takes
	}
	want := map[reflect.Kind]string{
		reflect.Float64: "number",
		reflect.String:  "string", reflect.Int: "integer", reflect.Int64: "integer", reflect.Bool: "boolean", reflect.Slice: "array", reflect.Struct: "object", reflect.Map: "object",
	}[typ.Kind()]
	switch typ.String() { // types that write themselves
	case "json.RawMessage", "law.Expected":
		want = "object"
	case "time.Time", "law.Day", "duty.Scalar":
		want = "string"
	case "duty.Placed[bool]":
		want = "boolean"
	case "duty.Placed[int]":
		want = "integer"
	}
	if want == "" || !s.Type.Is(want) {
		t.Errorf("%s: the contract says %v, the code writes %s", at, s.Type, typ)
		return
	}
	switch {
	case want == "array":
		compareType(t, at+"[]", s.Items, typ.Elem())
	case want == "object" && typ.Kind() == reflect.Struct && ref.Ref == "" && bare(ref).Ref == "":
		compare(t, at, s, typ)
	}
}

// TestEnums holds the closed lists of replies to those of the code.
func TestEnums(t *testing.T) {
	all := schemas(t)
	for name, want := range map[string][]string{
		"Verdict":      {string(rules.Compliant), string(rules.NonCompliant), string(rules.Undetermined)},
		"Status":       {string(rules.NotMet), string(rules.Unknown), string(rules.Met), string(rules.NotApplicable)},
		"Tri":          {string(rules.Yes), string(rules.No), string(rules.DontKnow)},
		"Scope":        texts(service.Scopes),
		"LimitStatus":  {string(rules.Solved), string(rules.Unbounded), string(rules.None), string(rules.Open)},
		"LoadRelation": {string(loads.AtMost), string(loads.AtLeast), string(loads.Below), string(loads.Equal), string(loads.Range)},
		"LoadBound":    {string(loads.Exact), string(loads.NoLess), string(loads.NoMore), string(loads.Estimate)},
		"BrakeKind":    rig.BrakeKinds,
		"AuditOutcome": {string(rules.Compliant), string(rules.NonCompliant), string(rules.Undetermined), string(service.OutcomeRefused)},
		"AuditState": {
			string(service.AuditReceiving), string(service.AuditRunning), string(service.AuditDone), string(service.AuditCancelled), string(service.AuditFailed),
		},
		"AuditSourceKind": {
			string(service.AuditCSV), string(service.AuditNDJSON), string(service.AuditPairings), string(service.AuditAllPairs), string(service.AuditAssessments),
		},
		"RegisterKind":  texts(service.EntryKinds),
		"WebhookEvent":  texts(service.EventTypes),
		"NoticeType":    append(texts(service.EventTypes), string(service.EventPing)),
		"DeliveryState": {string(service.DeliveryPending), string(service.DeliveryDelivered), string(service.DeliveryFailed)},
		"BreakawayKind": rig.BreakawayKinds,
		"Connector":     rig.Connectors,
	} {
		if got := words(all[name].Value); !slices.Equal(got, want) {
			t.Errorf("%s: words are %v, want %v", name, got, want)
		}
	}
	codes := words(all["Fault"].Value.Properties["code"].Value)
	for _, code := range []string{
		rig.CodeSyntax, rig.CodeUnknownField, rig.CodeWrongType, rig.CodeBadValue, rig.CodeBadQuantity, rig.CodeContradiction, rig.CodeLimit,
	} {
		if !slices.Contains(codes, code) {
			t.Errorf("code %s is not in the contract", code)
		}
	}
}

func texts[T ~string](list []T) (words []string) {
	for _, w := range list {
		words = append(words, string(w))
	}
	return words
}

// lawText is a ruleset with one word of each closed list to be filled in.
const lawText = `
ruleset: xx-words
version: 1
title: Words
jurisdiction: ZZ
effective: {from: 2014-07-01}
reviewed: 2026-11-25
sources:
  - {id: xx-code, title: Code, publisher: State of Xx, published: undated, kind: KIND, checked: {how: CHECKED, on: 2026-11-25}}
rules:
  - id: zz.notice
    says: Something is told.
    level: LEVEL
    oblige: {notice: {about: ABOUT}}
    cite: {source: xx-code, clause: "1", how: HOW, confidence: CONFIDENCE}
  - id: zz.wheels
    says: Wheels are braked.
    oblige: {service_brakes: {required: true, wheels: WHEELS}, device: {role: ROLE, required: true}}
    cite: {source: xx-code, clause: "2", how: memory, confidence: high}
`

// TestLawWords: a ruleset may say each word that the contract lists, and none
// besides.
func TestLawWords(t *testing.T) {
	all := schemas(t)
	oblige := all["Oblige"].Value.Properties
	lists := map[string]struct {
		words []string
		usual string
	}{
		"KIND":       {words(all["SourceKind"].Value), "regulation"},
		"CHECKED":    {words(all["Verification"].Value), "memory"},
		"LEVEL":      {words(all["Level"].Value), "practice"},
		"ABOUT":      {words(all["About"].Value), "other"},
		"HOW":        {words(all["Verification"].Value), "memory"},
		"CONFIDENCE": {words(all["Confidence"].Value), "high"},
		"WHEELS":     {words(oblige["service_brakes"].Value.Properties["wheels"].Value), "all"},
		"ROLE":       {words(oblige["device"].Value.Properties["role"].Value), "sway_device"},
	}
	for place, list := range lists {
		for _, word := range append(list.words, "zebra") {
			text := strings.ReplaceAll(lawText, place, word)
			for other, l := range lists {
				text = strings.ReplaceAll(text, other, l.usual)
			}
			_, err := law.Parse([]byte(text))
			if want := word != "zebra"; (err == nil) != want {
				t.Errorf("%s: a ruleset that says %q: %v", place, word, err)
			}
		}
	}
}
