package api

import (
	"context"
	"fmt"
	"net/http"

	"drawgear/api/picture"
)

// kindSVG is the kind of a picture.
const kindSVG = "image/svg+xml"

// CreateLoads holds every part of a rig against its load, in figures or drawn.
func (h *handlers) CreateLoads(ctx context.Context, r CreateLoadsRequestObject) (CreateLoadsResponseObject, error) {
	sheet, about, err := h.service.Loads(ctx, *r.Body)
	if err != nil {
		return nil, err
	}
	if chosenKind(ctx) == kindSVG {
		svg, err := picture.Rig(about, sheet.Loads).SVG()
		if err != nil {
			return nil, fmt.Errorf("draw the rig: %w", err)
		}
		return drawing(svg), nil
	}
	return CreateLoads200JSONResponse(sheet), nil
}

// drawing is a picture as it travels. What it may do where it is opened is
// nothing but be seen.
type drawing []byte

// VisitCreateLoadsResponse says 200.
func (d drawing) VisitCreateLoadsResponse(w http.ResponseWriter) error {
	w.Header().Set("Content-Type", kindSVG)
	w.Header().Set("Content-Security-Policy", "default-src 'none'; style-src 'unsafe-inline'; sandbox")
	w.WriteHeader(http.StatusOK)
	_, err := w.Write(d)
	return err
}

// CreateLimits finds how heavy the trailer of a rig may be.
func (h *handlers) CreateLimits(ctx context.Context, r CreateLimitsRequestObject) (CreateLimitsResponseObject, error) {
	sheet, err := h.service.Limits(ctx, *r.Body)
	if err != nil {
		return nil, err
	}
	return CreateLimits200JSONResponse(sheet), nil
}
