package api

import (
	"context"
	"net/http"
	"strconv"
	"strings"

	"drawgear/openapi"
)

// docsMaxAge is for how long a browser may keep a file of the page: with an
// upgrade of the service a page may come with other files.
const docsMaxAge = "public, max-age=600"

// pageReply sends a page that may load the files under /docs.
type pageReply []byte

func (p pageReply) write(w http.ResponseWriter) error {
	w.Header().Set("Content-Type", kindHTML+"; charset=utf-8")
	w.Header().Set("Content-Security-Policy", openapi.DocsPolicy)
	w.WriteHeader(http.StatusOK)
	_, err := w.Write(p)
	return err
}

// VisitGetDocsResponse says 200.
func (p pageReply) VisitGetDocsResponse(w http.ResponseWriter) error { return p.write(w) }

// VisitGetProblemKindResponse says 200.
func (p pageReply) VisitGetProblemKindResponse(w http.ResponseWriter) error { return p.write(w) }

// GetDocs gives the page that shows the contract.
func (h *handlers) GetDocs(context.Context, GetDocsRequestObject) (GetDocsResponseObject, error) {
	return pageReply(openapi.Docs()), nil
}

// assetReply sends a file of the page.
type assetReply struct {
	asset openapi.Asset
	gzip  bool
}

// VisitGetDocsAssetResponse says 200.
func (a assetReply) VisitGetDocsAssetResponse(w http.ResponseWriter) error {
	body := a.asset.Bytes
	if a.gzip && a.asset.GZIP != nil {
		body = a.asset.GZIP
		w.Header().Set("Content-Encoding", "gzip")
	}
	w.Header().Set("Content-Type", a.asset.Kind)
	w.Header().Set("Cache-Control", docsMaxAge)
	w.Header().Add("Vary", "Accept-Encoding")
	w.WriteHeader(http.StatusOK)
	_, err := w.Write(body)
	return err
}

// GetDocsAsset gives a file of the page.
func (h *handlers) GetDocsAsset(_ context.Context, r GetDocsAssetRequestObject) (GetDocsAssetResponseObject, error) {
	asset, ok := openapi.Assets()[r.Asset]
	if !ok {
		return nil, refuse(ProblemNotFound, "The page has no such file.")
	}
	return assetReply{asset, takesGZIP(r.Params.AcceptEncoding)}, nil
}

// takesGZIP reads an Accept-Encoding (RFC 9110, section 12.5.3).
func takesGZIP(accepts string) bool {
	for coding := range strings.SplitSeq(accepts, ",") {
		name, weight, _ := strings.Cut(coding, ";")
		if !strings.EqualFold(strings.TrimSpace(name), "gzip") {
			continue
		}
		q, given := strings.CutPrefix(strings.ReplaceAll(weight, " ", ""), "q=")
		n, err := strconv.ParseFloat(q, 64)
		return !given || err == nil && n > 0
	}
	return false
}

// kindReply tells a type of problem in JSON.
type kindReply []byte

// VisitGetProblemKindResponse says 200.
func (k kindReply) VisitGetProblemKindResponse(w http.ResponseWriter) error {
	return writeJSON(w, http.StatusOK, k)
}

// GetProblemKind tells what a type of problem means.
func (h *handlers) GetProblemKind(ctx context.Context, r GetProblemKindRequestObject) (GetProblemKindResponseObject, error) {
	kind := ProblemType("/problems/" + r.Name)
	p, ok := problems[kind]
	if !ok {
		return nil, refuse(ProblemNotFound, "There is no such type of problem.")
	}
	told := openapi.ProblemKind{
		Type: string(kind), Title: p.title, Status: p.status, Meaning: openapi.ProblemMeanings()[string(kind)], Advice: p.advice,
	}
	if chosenKind(ctx) == kindHTML {
		text, err := told.HTML()
		return pageReply(text), err
	}
	text, err := told.JSON()
	return kindReply(text), err
}
