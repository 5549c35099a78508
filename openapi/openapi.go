// Package openapi holds the contract of the service: one OpenAPI 3.0 document,
// written by hand, from which the types and routes of package api are generated
// and against which requests and, in tests, replies are checked.
package openapi

import (
	"bytes"
	_ "embed"
	"encoding/json"
	"fmt"
	"maps"
	"slices"
	"strings"
	"sync"

	"go.yaml.in/yaml/v3"
)

//go:embed openapi.yaml
var document []byte

// YAML returns the contract as it was written.
func YAML() []byte { return bytes.Clone(document) }

// JSON returns the contract as JSON with its names in the order of the
// document, worked out once. The bytes must not be changed.
//
// It panics, and so do all functions here, if the embedded document cannot be
// read, which a test rules out.
var JSON = sync.OnceValue(func() []byte {
	var root yaml.Node
	if err := yaml.Unmarshal(document, &root); err != nil {
		panic(fmt.Sprintf("openapi: read the contract: %v", err))
	}
	var out bytes.Buffer
	if err := writeJSON(&out, root.Content[0]); err != nil {
		panic(fmt.Sprintf("openapi: write the contract as JSON: %v", err))
	}
	return out.Bytes()
})

func writeJSON(out *bytes.Buffer, n *yaml.Node) error {
	switch n.Kind {
	case yaml.MappingNode:
		out.WriteByte('{')
		for i := 0; i+1 < len(n.Content); i += 2 {
			if i > 0 {
				out.WriteByte(',')
			}
			name, err := json.Marshal(n.Content[i].Value)
			if err != nil {
				return err
			}
			out.Write(name)
			out.WriteByte(':')
			if err := writeJSON(out, n.Content[i+1]); err != nil {
				return err
			}
		}
		out.WriteByte('}')
	case yaml.SequenceNode:
		out.WriteByte('[')
		for i, item := range n.Content {
			if i > 0 {
				out.WriteByte(',')
			}
			if err := writeJSON(out, item); err != nil {
				return err
			}
		}
		out.WriteByte(']')
	case yaml.ScalarNode:
		var v any
		if err := n.Decode(&v); err != nil {
			return fmt.Errorf("line %d: %w", n.Line, err)
		}
		text, err := json.Marshal(v)
		if err != nil {
			return fmt.Errorf("line %d: %w", n.Line, err)
		}
		out.Write(text)
	default:
		return fmt.Errorf("line %d: anchors and aliases have no place in the contract", n.Line)
	}
	return nil
}

// Operation is one method of one path, with what of it a request is checked
// against before its handler runs.
type Operation struct {
	ID         string
	Method     string // GET, POST
	Path       string // with parameters in braces
	Open       bool   // to callers of whom nothing is known
	Scope      string // that it needs, if it is not open; ScopeAny for none in particular
	Parameters []Parameter
	Kinds      []string // media types of a success, in the order of the contract; several are for the caller to choose from
}

// ScopeAny is the x-scope of operations for every known caller.
const ScopeAny = "any"

// Parameter is a parameter of the path, the query or a header.
type Parameter struct {
	Name   string
	In     string // path, query or header
	Schema Schema
}

// Schema is the part of a schema that the text of a parameter can break.
type Schema struct {
	Type      string // string, integer or boolean
	Pattern   string
	Enum      []string
	Minimum   *int
	Maximum   *int
	MaxLength *int `yaml:"maxLength"`
}

type refSchema struct {
	Ref    string `yaml:"$ref"`
	Schema `yaml:",inline"`
}

type refParameter struct {
	Ref    string `yaml:"$ref"`
	Name   string
	In     string
	Schema refSchema
}

// Operations lists the operations by path and method, worked out once. The
// result must not be changed.
var Operations = sync.OnceValue(func() []Operation {
	var doc struct {
		Paths map[string]map[string]struct {
			ID         string `yaml:"operationId"`
			Scope      string `yaml:"x-scope"`
			Security   *[]any // nil for that of the whole contract
			Parameters []refParameter
			Responses  map[string]struct{ Content yaml.Node }
		}
		Components struct {
			Parameters map[string]refParameter
			Schemas    yaml.Node
		}
	}
	if err := yaml.Unmarshal(document, &doc); err != nil {
		panic(fmt.Sprintf("openapi: read the operations: %v", err))
	}
	var ops []Operation
	for _, path := range slices.Sorted(maps.Keys(doc.Paths)) {
		for _, method := range slices.Sorted(maps.Keys(doc.Paths[path])) {
			raw := doc.Paths[path][method]
			op := Operation{ID: raw.ID, Method: strings.ToUpper(method), Path: path, Scope: raw.Scope, Open: raw.Security != nil && len(*raw.Security) == 0}
			for _, p := range raw.Parameters {
				if p.Ref != "" {
					p = doc.Components.Parameters[last(p.Ref)]
				}
				if p.Schema.Ref != "" {
					p.Schema.Schema = schema(&doc.Components.Schemas, last(p.Schema.Ref))
				}
				op.Parameters = append(op.Parameters, Parameter{Name: p.Name, In: p.In, Schema: p.Schema.Schema})
			}
			op.Kinds = kinds(raw.Responses)
			ops = append(ops, op)
		}
	}
	return ops
})

// kinds are the media types in which the successes of an operation travel.
func kinds(responses map[string]struct{ Content yaml.Node }) []string {
	var out []string
	for _, status := range slices.Sorted(maps.Keys(responses)) {
		if !strings.HasPrefix(status, "2") {
			continue
		}
		content := responses[status].Content.Content // names and values in turn
		for i := 0; i < len(content); i += 2 {
			if kind := content[i].Value; !slices.Contains(out, kind) {
				out = append(out, kind)
			}
		}
	}
	return out
}

func last(ref string) string { return ref[strings.LastIndexByte(ref, '/')+1:] }

// schema reads one of the named schemas. They are read one by one because most
// have forms that no parameter takes.
func schema(schemas *yaml.Node, name string) Schema {
	for i := 0; i+1 < len(schemas.Content); i += 2 {
		if schemas.Content[i].Value != name {
			continue
		}
		var s Schema
		if err := schemas.Content[i+1].Decode(&s); err != nil {
			panic(fmt.Sprintf("openapi: read schema %s: %v", name, err))
		}
		return s
	}
	panic("openapi: there is no schema " + name)
}
