package openapi

import (
	"bytes"
	"compress/gzip"
	"embed"
	"encoding/json"
	"fmt"
	"html/template"
	"io"
	"path"
	"regexp"
	"sync"

	swagger "github.com/swaggest/swgui/v5/static"
	"go.yaml.in/yaml/v3"
)

//go:embed docs
var docs embed.FS

// DocsPolicy is the Content-Security-Policy under which the pages of Docs and
// of problems work: nothing from elsewhere, and nothing that stands in the page
// itself. Pictures in style sheets are written into them as data.
const DocsPolicy = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; connect-src 'self'; " +
	"base-uri 'none'; form-action 'none'; frame-ancestors 'none'"

// Docs returns the page that shows the contract, with the first example of the
// contract as a command. The bytes must not be changed.
var Docs = sync.OnceValue(func() []byte {
	page := template.Must(template.ParseFS(docs, "docs/page.html"))
	var out bytes.Buffer
	if err := page.Execute(&out, struct{ Version, Rig string }{version(), string(ExampleRig())}); err != nil {
		panic(fmt.Sprintf("openapi: write the page of the contract: %v", err))
	}
	return out.Bytes()
})

// ExampleRig is the rig of the first example of POST /v1/assessments, as one
// line of JSON with its names in the order of the contract.
var ExampleRig = sync.OnceValue(func() []byte {
	rig := at(root(), "paths", "/v1/assessments", "post", "requestBody", "content", "application/json", "examples", "float", "value")
	var out bytes.Buffer
	if err := writeJSON(&out, rig); err != nil {
		panic(fmt.Sprintf("openapi: write the example: %v", err))
	}
	return out.Bytes()
})

func version() string { return at(root(), "info", "version").Value }

// root is the whole document.
func root() *yaml.Node {
	var doc yaml.Node
	if err := yaml.Unmarshal(document, &doc); err != nil {
		panic(fmt.Sprintf("openapi: read the contract: %v", err))
	}
	return doc.Content[0]
}

// at follows names down the document.
func at(n *yaml.Node, names ...string) *yaml.Node {
	for _, name := range names {
		i := 0
		for i+1 < len(n.Content) && n.Content[i].Value != name {
			i += 2
		}
		if n.Kind != yaml.MappingNode || i+1 >= len(n.Content) {
			panic("openapi: the contract has no " + name)
		}
		n = n.Content[i+1]
	}
	return n
}

// Asset is a file of the pages.
type Asset struct {
	Kind  string // media type
	Bytes []byte
	GZIP  []byte // the same, compressed; nil for what is compressed by its nature
}

// Assets are the files of the pages by name: our own, and of Swagger UI those
// that the page loads. They are read once and must not be changed.
var Assets = sync.OnceValue(func() map[string]Asset {
	files := map[string]Asset{}
	for _, name := range []string{"page.css", "page.js"} {
		text := must(docs.ReadFile("docs/" + name))
		files[name] = Asset{Kind: kindOf(name), Bytes: text, GZIP: packed(text)}
	}
	for _, name := range []string{"swagger-ui.css", "swagger-ui-bundle.js"} {
		small := must(swagger.FS.ReadFile(name + ".gz"))
		files[name] = Asset{Kind: kindOf(name), Bytes: unpacked(small), GZIP: small}
	}
	const icon = "favicon-32x32.png"
	files[icon] = Asset{Kind: kindOf(icon), Bytes: must(swagger.FS.ReadFile(icon))}
	return files
})

func kindOf(name string) string {
	return map[string]string{".css": "text/css; charset=utf-8", ".js": "text/javascript; charset=utf-8", ".png": "image/png"}[path.Ext(name)]
}

func must(data []byte, err error) []byte {
	if err != nil {
		panic(fmt.Sprintf("openapi: read a file of the page: %v", err))
	}
	return data
}

func unpacked(data []byte) []byte {
	r, err := gzip.NewReader(bytes.NewReader(data))
	if err != nil {
		panic(fmt.Sprintf("openapi: unpack a file of the page: %v", err))
	}
	return must(io.ReadAll(r))
}

// packed compresses into memory, where nothing fails.
func packed(data []byte) []byte {
	var out bytes.Buffer
	w, _ := gzip.NewWriterLevel(&out, gzip.BestCompression)
	w.Write(data)
	w.Close()
	return out.Bytes()
}

// ProblemMeanings says of each type of problem when it is sent, as the table of
// the contract has it, by the type.
var ProblemMeanings = sync.OnceValue(func() map[string]string {
	table := at(root(), "components", "schemas", "Problem", "description").Value
	out := map[string]string{}
	for _, row := range problemRow.FindAllStringSubmatch(table, -1) {
		out[row[1]] = row[2]
	}
	return out
})

var problemRow = regexp.MustCompile("(?m)^\\| `(/problems/[a-z-]+)` \\| \\d{3} \\| (.+) \\|$")

// ProblemKind is what a page tells of a type of problem.
type ProblemKind struct {
	Type    string `json:"type"`
	Title   string `json:"title"`
	Status  int    `json:"status"`
	Meaning string `json:"meaning"`
	Advice  string `json:"advice"`
}

// JSON gives the one line in which a type of problem is told.
func (k ProblemKind) JSON() ([]byte, error) {
	var out bytes.Buffer
	e := json.NewEncoder(&out)
	e.SetEscapeHTML(false)
	if err := e.Encode(k); err != nil {
		return nil, fmt.Errorf("write a type of problem: %w", err)
	}
	return out.Bytes(), nil
}

// HTML gives the page on which a type of problem is told.
func (k ProblemKind) HTML() ([]byte, error) {
	page, err := template.ParseFS(docs, "docs/problem.html")
	if err != nil {
		return nil, fmt.Errorf("read the page of problems: %w", err)
	}
	var out bytes.Buffer
	if err := page.Execute(&out, k); err != nil {
		return nil, fmt.Errorf("write the page of a type of problem: %w", err)
	}
	return out.Bytes(), nil
}
