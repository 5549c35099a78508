package service_test

import (
	"bytes"
	"encoding/json"
	"testing"
	"time"

	"drawgear/db/memory"
	"drawgear/service"
)

// TestMinimalLine holds the line of an assessment in little to encoding/json.
func TestMinimalLine(t *testing.T) {
	s := service.New(library(t, "1", "750"), memory.New(0), at(noon.Add(time.Second)))
	const document = `{"jurisdiction":"ZZ","as_of":"2026-11-25","trailer":{"rated":{"axles":"500 kg"},"brakes":{"kind":"none"}}}`
	for _, record := range []bool{false, true} {
		for _, known := range []time.Time{{}, noon} {
			a, err := s.AssessMinimal(local(t), []byte(document), known, record)
			if err != nil {
				t.Fatal(err)
			}
			line, err := a.AppendLine(nil)
			if err != nil {
				t.Fatal(err)
			}
			want, err := json.Marshal(a)
			if err != nil {
				t.Fatal(err)
			}
			if !bytes.Equal(line, append(want, '\n')) {
				t.Errorf("recorded %v, known %v: wrote\n%s\nwant\n%s", record, known, line, want)
			}
			if record {
				got, err := s.GetMinimal(local(t), a.ID)
				if err != nil {
					t.Fatal(err)
				}
				if again, err := got.AppendLine(nil); err != nil || !bytes.Equal(again, line) {
					t.Errorf("read back as\n%s\nwant\n%s (%v)", again, line, err)
				}
			}
		}
	}
}
