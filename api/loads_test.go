package api_test

import (
	"bytes"
	"encoding/xml"
	"errors"
	"io"
	"strings"
	"testing"

	"drawgear/service"
)

// floatToTow is a tandem float of Saltmarsh Yard behind its vehicle.
const floatToTow = `{
  "jurisdiction": "AU-NSW", "as_of": "2026-11-25",
  "vehicle": {"rated": {"total": "3100 kg", "combination": "6000 kg", "axles": ["1450 kg", "1800 kg"]}, "laden": {"axles": ["1250 kg", "1400 kg"]},
    "towing": {"braked": "3500 kg", "unbraked": "750 kg", "ball": "350 kg"}, "wheelbase": "2.85 m", "ball_overhang": "1.1 m"},
  "trailer": {"axle_count": 2, "ball_to_axle": "4.1 m", "rated": {"total": "2400 kg", "axles": "2200 kg"}, "tare": "1300 kg",
    "laden": {"total": "1650 kg", "axles": "1500 kg", "ball": "150 kg"},
    "brakes": {"kind": "electric", "braked_axles": 2, "magnets": 4, "operable_from_cab": true}},
  "parts": [{"role": "ball", "rated_mass": "3500 kg", "size": "50 mm"}, {"role": "towbar", "rated_mass": "1700 kg"}, {"role": "coupling", "rated_mass": "3500 kg", "size": "50 mm"}]
}`

// TestLoads: what the figures say comes from rigid-body statics. 150 kg on the
// coupling, 1.1 m behind an axle that stands 2.85 m from the other, add
// 150 x 3.95 / 2.85 = 207.89 kg to the rear axle and take 57.89 kg off the front.
func TestLoads(t *testing.T) {
	h := newServer(t)
	sheet := decode[service.LoadSheet](t, wantStatus(t, "loads", call(t, h, "POST", "/v1/loads", floatToTow), 200))
	state := sheet.Loads.Static.Now
	for name, c := range map[string]struct {
		got  *float64
		want float64
	}{
		"rear axle":   {state.RearCoupled.Number, 1400 + 207.8947},
		"front axle":  {state.FrontCoupled.Number, 1250 - 57.8947},
		"vehicle":     {state.VehicleCoupled.Number, 2800},
		"combination": {state.Combination.Number, 4300},
	} {
		if c.got == nil || *c.got < c.want-0.001 || *c.got > c.want+0.001 {
			t.Errorf("%s: %v, want %v", name, c.got, c.want)
		}
	}
	if w := sheet.Loads.Now.Weakest; len(w) == 0 || w[0].Line != "parts.1.rated_mass" {
		t.Errorf("the weakest link is %+v, not the towbar with 1650 of 1700 kg", sheet.Loads.Now.Weakest)
	}
	if sheet.Jurisdiction != "AU-NSW" || len(sheet.Rulesets) == 0 || len(sheet.Loads.Cautions) == 0 {
		t.Errorf("the sheet lacks place, law or cautions: %+v", sheet)
	}
}

func TestLoadsDrawn(t *testing.T) {
	h := newServer(t)
	for _, accept := range []string{"image/svg+xml", "image/*", "image/svg+xml;q=0.9, application/json;q=0.1"} {
		r := wantStatus(t, accept, call(t, h, "POST", "/v1/loads", floatToTow, header{"Accept", accept}), 200)
		if kind := r.Header.Get("Content-Type"); kind != "image/svg+xml" {
			t.Errorf("%s: got %s", accept, kind)
		}
		if r.Header.Get("Vary") != "Accept" || !strings.Contains(r.Header.Get("Content-Security-Policy"), "default-src 'none'") {
			t.Errorf("%s: headers %v", accept, r.Header)
		}
		in := xml.NewDecoder(bytes.NewReader(r.Body))
		for {
			if _, err := in.Token(); errors.Is(err, io.EOF) {
				break
			} else if err != nil {
				t.Fatalf("%s: the picture is no XML: %v", accept, err)
			}
		}
	}
	for _, accept := range []string{"", "*/*", "application/json", "application/*, image/svg+xml;q=0.5"} {
		var hs []header
		if accept != "" {
			hs = []header{{"Accept", accept}}
		}
		if r := wantStatus(t, accept, call(t, h, "POST", "/v1/loads", floatToTow, hs...), 200); r.Header.Get("Content-Type") != "application/json" {
			t.Errorf("%q: got %s", accept, r.Header.Get("Content-Type"))
		}
	}
	wantProblem(t, "another kind", call(t, h, "POST", "/v1/loads", floatToTow, header{"Accept", "text/plain"}), 406, "not-acceptable")
}

// TestBadGeometry: lengths that cannot be are refused where they stand.
func TestBadGeometry(t *testing.T) {
	h := newServer(t)
	for name, c := range map[string]struct{ old, new, at string }{
		"zero wheelbase":                {`"wheelbase": "2.85 m"`, `"wheelbase": "0 m"`, "/vehicle/wheelbase"},
		"overhang below zero":           {`"ball_overhang": "1.1 m"`, `"ball_overhang": "-1.1 m"`, "/vehicle/ball_overhang"},
		"coupling at the trailer axle":  {`"ball_to_axle": "4.1 m"`, `"ball_to_axle": "0 mm"`, "/trailer/ball_to_axle"},
		"coupling behind the axle":      {`"ball_to_axle": "4.1 m"`, `"ball_to_axle": "-4.1 m"`, "/trailer/ball_to_axle"},
		"cargo ahead of the body":       {`"axle_count": 2`, `"axle_count": 2, "body": {"starts": "1 m"}, "items": [{"behind_coupling": "0.9 m"}]`, "/trailer/items/0/behind_coupling"},
		"cargo behind the body":         {`"axle_count": 2`, `"axle_count": 2, "body": {"ends": "5 m"}, "items": [{"behind_coupling": "5.1 m"}]`, "/trailer/items/0/behind_coupling"},
		"a length where a mass belongs": {`"tare": "1300 kg"`, `"tare": "1300 m"`, "/trailer/tare"},
	} {
		body := strings.Replace(floatToTow, c.old, c.new, 1)
		if body == floatToTow {
			t.Fatalf("%s: nothing was changed", name)
		}
		for _, target := range []string{"/v1/loads", "/v1/limits"} {
			p := wantProblem(t, name, call(t, h, "POST", target, body), 422, "invalid-rig")
			found := false
			for _, f := range p.Errors {
				found = found || f.Pointer != nil && *f.Pointer == c.at
			}
			if !found {
				t.Errorf("%s: %s does not name %s: %+v", name, target, c.at, p.Errors)
			}
		}
	}
}

// TestLimits: a towbar for 1700 kg is what stops the trailer first.
func TestTrailerLimits(t *testing.T) {
	h := newServer(t)
	sheet := decode[service.LimitSheet](t, wantStatus(t, "limits", call(t, h, "POST", "/v1/limits", floatToTow), 200))
	if w := sheet.Mechanics.Weakest; len(w) != 1 || w[0] != "parts.1.rated_mass" || sheet.Mechanics.Total.Value != "1700 kg" {
		t.Errorf("by mechanics the trailer may weigh %s for %v, not 1700 kg for the towbar", sheet.Mechanics.Total.Value, w)
	}
	if b := sheet.Limits.Today.Binding; sheet.Limits.Today.Heaviest != "1700 kg" || len(b) == 0 || len(b[0].Parts) == 0 || b[0].Parts[0] != "/parts/1/rated_mass" {
		t.Errorf("today's limit is %+v", sheet.Limits.Today)
	}
	for _, target := range []string{"/v1/loads", "/v1/limits"} {
		wantProblem(t, "no law there", call(t, h, "POST", target, `{"jurisdiction":"AQ"}`), 422, "unknown-jurisdiction")
		wantStatus(t, "a bare rig", call(t, h, "POST", target, `{"jurisdiction":"AU-NSW"}`), 200)
	}
}
