package postgres_test

import (
	"bytes"
	"context"
	"crypto/rand"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"sync"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/klauspost/compress/zstd"
	"pgregory.net/rapid"

	"drawgear/db/pgtest"
	"drawgear/db/postgres"
	"drawgear/rules/library"
	"drawgear/rules/rig"
	"drawgear/service"
)

// assessment makes a record of an answer.
func assessment(id, place string, answer []byte) service.Record {
	r := record(id, day)
	sum := sha256.Sum256(answer)
	r.Jurisdiction, r.Answer, r.AnswerSHA256 = place, answer, hex.EncodeToString(sum[:])
	return r
}

// assessed are whole answers of the library about the rig of the demo, with
// another trailer mass each, in the bytes that the service keeps.
func assessed(t testing.TB, n int) [][]byte {
	t.Helper()
	book, err := library.Book()
	if err != nil {
		t.Fatal(err)
	}
	text, err := os.ReadFile("../../testdata/rigs/horse-float.json")
	if err != nil {
		t.Fatal(err)
	}
	var document map[string]any
	if err := json.Unmarshal(text, &document); err != nil {
		t.Fatal(err)
	}
	on, err := rig.ParseDay("2026-11-25")
	if err != nil {
		t.Fatal(err)
	}
	out := make([][]byte, n)
	for i := range out {
		document["trailer"].(map[string]any)["laden"] = map[string]any{"total": fmt.Sprintf("%d kg", 1700+10*i), "axles": fmt.Sprintf("%d kg", 1600+10*i), "ball": "100 kg"}
		text, err := json.Marshal(document)
		if err != nil {
			t.Fatal(err)
		}
		r, err := rig.Decode(text)
		if err != nil {
			t.Fatal(err)
		}
		answer, err := book.Assess(r, on)
		if err != nil {
			t.Fatal(err)
		}
		out[i] = answer.AppendJSON(nil)
	}
	return out
}

// noise is what has nothing in common with any other, and cannot be compressed.
func noise(n int) []byte {
	out := make([]byte, n)
	_, _ = rand.Read(out) // never fails
	return out
}

// TestAnswersComeBack: every byte does, by the replica that wrote it, by another,
// and out of a step; and what is kept of all but the first is small.
func TestAnswersComeBack(t *testing.T) {
	url := pgtest.New(t)
	s, conn := open(t, postgres.Config{URL: url}), connect(t, url)
	answers := assessed(t, 6)
	var rs []service.Record
	for i, a := range answers[:4] {
		rs = append(rs, assessment(fmt.Sprint("R", i), "AU-NSW", a))
		put(home(t), t, s, rs[i])
	}
	for i, a := range answers[4:] {
		r := assessment(fmt.Sprint("S", i), "AU-QLD", a)
		_, _, err := s.Once(home(t), r.ID, [32]byte{1}, func(ctx context.Context, s service.FullStore) (service.Reply, error) {
			return service.Reply{Status: 201}, s.Put(ctx, r)
		})
		if err != nil {
			t.Fatal(err)
		}
		rs = append(rs, r)
	}
	other := open(t, postgres.Config{URL: url})
	for _, r := range rs {
		for _, s := range []*postgres.Store{s, other} {
			if got, err := s.Get(home(t), r.ID); err != nil || !bytes.Equal(got.Answer, r.Answer) || !bytes.Equal(got.Rig, r.Rig) {
				t.Errorf("%s comes back as %d bytes of %d (%v)", r.ID, len(got.Answer), len(r.Answer), err)
			}
		}
	}
	if n := ask[int](t, conn, "SELECT count(*) FROM answer_bases"); n != 2 {
		t.Errorf("%d bases, want one a place", n)
	}
	// The first of a place has none yet; one in twelve is what a base is kept for.
	for id, size := range map[string]int{"R0": 5, "R1": 12, "R2": 12, "R3": 12, "S0": 5, "S1": 12} {
		kept := ask[int](t, conn, "SELECT octet_length(packed) FROM assessments WHERE id = $1", id)
		if most := len(answers[0]) / size; kept > most {
			t.Errorf("%s is kept in %d bytes, want no more than %d", id, kept, most)
		}
		if based := ask[bool](t, conn, "SELECT base IS NOT NULL FROM assessments WHERE id = $1", id); based != (size == 12) {
			t.Errorf("%s has a base: %v", id, based)
		}
	}
	// A program that never heard of Zstandard's use here can read it: any reader of RFC 8878 will do.
	reader, err := zstd.NewReader(nil)
	if err != nil {
		t.Fatal(err)
	}
	defer reader.Close()
	frame := ask[[]byte](t, conn, "SELECT packed FROM assessments WHERE id = 'R0'")
	if got, err := reader.DecodeAll(frame, nil); err != nil || !bytes.Equal(got, answers[0]) {
		t.Errorf("a frame without a base is not the answer (%v)", err)
	}
}

// TestPackAfter: for a while after the schema learnt of packed answers they are kept as
// a program of before reads them, wherever the clock of the database stands; then they
// are packed. What was kept whole comes back all the same.
func TestPackAfter(t *testing.T) {
	url := pgtest.New(t)
	conn := connect(t, url)
	answer := assessed(t, 1)[0]
	for _, zone := range []string{"Pacific/Auckland", "America/Los_Angeles"} {
		moveTo(t, conn, zone)
		for _, tt := range []struct {
			ago    string
			packed bool
		}{{"0 s", false}, {"59 min", false}, {"61 min", true}} {
			exec(t, conn, "UPDATE "+postgres.SchemaTable+" SET tstamp = now() AT TIME ZONE 'UTC' - $1::interval WHERE version_id = 11", tt.ago)
			s := open(t, postgres.Config{URL: url, PackAfter: time.Hour})
			r := assessment(fmt.Sprint(zone, tt.ago), "AU-NSW", answer)
			put(home(t), t, s, r)
			if packed := ask[bool](t, conn, "SELECT packed IS NOT NULL AND answer IS NULL FROM assessments WHERE id = $1", r.ID); packed != tt.packed {
				t.Errorf("%s, migrated %s ago: packed is %v", zone, tt.ago, packed)
			}
			if got, err := s.Get(home(t), r.ID); err != nil || !bytes.Equal(got.Answer, answer) {
				t.Errorf("%s, migrated %s ago: %d bytes of %d come back (%v)", zone, tt.ago, len(got.Answer), len(answer), err)
			}
		}
	}
	// The migrations themselves note the time so that it can be read.
	url = pgtest.Empty(t)
	conn = connect(t, url)
	moveTo(t, conn, "Pacific/Auckland")
	if err := postgres.Migrate(t.Context(), url); err != nil {
		t.Fatal(err)
	}
	if ago := ask[int](t, conn, "SELECT extract(epoch FROM now() AT TIME ZONE 'UTC' - max(tstamp))::int FROM "+postgres.SchemaTable); ago < 0 || ago > 600 {
		t.Errorf("the schema was made %d s ago", ago)
	}
}

// moveTo has the connections that are made from now on tell the time of a zone.
func moveTo(t testing.TB, conn *pgx.Conn, zone string) {
	t.Helper()
	exec(t, conn, fmt.Sprintf("ALTER ROLE CURRENT_USER IN DATABASE %s SET timezone = '%s'", pgx.Identifier{conn.Config().Database}.Sanitize(), zone))
}

// TestOlderRows: what was kept before answers were packed is read as it is, and
// so is what was never worth packing.
func TestOlderRows(t *testing.T) {
	url := pgtest.New(t)
	s, conn := open(t, postgres.Config{URL: url}), connect(t, url)
	put(home(t), t, s, record("A", day))
	if !ask[bool](t, conn, "SELECT answer = $1 AND packed IS NULL AND base IS NULL FROM assessments", record("A", day).Answer) {
		t.Error("a small answer is not kept as it is")
	}
	big := assessment("B", "GB", assessed(t, 1)[0])
	exec(t, conn, `INSERT INTO assessments (tenant_id, id, created_at, jurisdiction, as_of, verdict, answer_sha256, rig, answer, engine)
		SELECT tenant_id, 'B', created_at, 'GB', as_of, verdict, sha256($1), rig, $1, engine FROM assessments`, big.Answer)
	exec(t, conn, "SELECT set_config('drawgear.tenant', $1, false)", saltmarsh)
	exec(t, conn, "SELECT drawgear_append(sha256('x'), 'B', $1)", day)
	if got, err := s.Get(home(t), "B"); err != nil || !bytes.Equal(got.Answer, big.Answer) {
		t.Errorf("a row of before comes back as %d bytes (%v)", len(got.Answer), err)
	}
	for _, wrong := range []string{
		"UPDATE assessments SET answer = NULL WHERE id = 'A'", // no answer at all
		"UPDATE assessments SET packed = 'x' WHERE id = 'A'",  // two
		"UPDATE assessments SET base = sha256('x') WHERE id = 'A'",
	} {
		refused(t, conn, brokenCheck, wrong)
	}
}

// TestSpoiltAnswer: what is not the answer any more is an error and never an answer.
func TestSpoiltAnswer(t *testing.T) {
	url := pgtest.New(t)
	s, conn := open(t, postgres.Config{URL: url}), connect(t, url)
	answers := assessed(t, 3)
	for i, a := range answers {
		put(home(t), t, s, assessment(fmt.Sprint("R", i), "AU-NSW", a))
	}
	for name, spoil := range map[string]string{
		"a changed byte":      "UPDATE assessments SET packed = set_byte(packed, octet_length(packed) / 2, get_byte(packed, octet_length(packed) / 2) # 1) WHERE id = 'R1'",
		"a part of it":        "UPDATE assessments SET packed = substr(packed, 1, octet_length(packed) - 9) WHERE id = 'R1'",
		"no frame":            "UPDATE assessments SET packed = 'x' WHERE id = 'R1'",
		"without its base":    "UPDATE assessments SET base = NULL WHERE id = 'R1'",
		"a base there is not": "UPDATE assessments SET base = sha256('x') WHERE id = 'R1'",
		"a base of other text": `UPDATE answer_bases SET packed = (SELECT packed FROM assessments WHERE id = 'R0' AND base IS NULL) || ''::bytea, sha256 = sha256('y');
			UPDATE assessments SET base = sha256('y') WHERE id = 'R1'`,
	} {
		exec(t, conn, "CREATE TABLE before AS SELECT * FROM assessments WHERE id = 'R1'")
		exec(t, conn, "CREATE TABLE bases AS SELECT * FROM answer_bases")
		for _, sql := range bytes.Split([]byte(spoil), []byte(";")) {
			exec(t, conn, string(sql))
		}
		reader := open(t, postgres.Config{URL: url}) // which knows no base yet
		got, err := reader.Get(home(t), "R1")
		if err == nil || errors.Is(err, service.ErrUnavailable) || got.Answer != nil {
			t.Errorf("%s: an answer of %d bytes (%v)", name, len(got.Answer), err)
		}
		reader.Close()
		exec(t, conn, "UPDATE assessments a SET packed = b.packed, base = b.base FROM before b WHERE a.id = b.id")
		exec(t, conn, "DELETE FROM answer_bases")
		exec(t, conn, "INSERT INTO answer_bases SELECT * FROM bases")
		exec(t, conn, "DROP TABLE before")
		exec(t, conn, "DROP TABLE bases")
	}
	for i, a := range answers {
		if got, err := s.Get(home(t), fmt.Sprint("R", i)); err != nil || !bytes.Equal(got.Answer, a) {
			t.Errorf("R%d afterwards: %v", i, err)
		}
	}
}

// TestBasesAreRenewed: answers that the base no longer resembles bring about
// another, and not one each.
func TestBasesAreRenewed(t *testing.T) {
	url := pgtest.New(t)
	s, conn := open(t, postgres.Config{URL: url}), connect(t, url)
	const n = 200
	want := map[string][]byte{}
	for i := range n {
		id := fmt.Sprintf("N%03d", i)
		want[id] = noise(4 << 10)
		put(home(t), t, s, assessment(id, "GB", want[id]))
	}
	// The first makes a base, and after each trial of 64 another.
	if got := ask[int](t, conn, "SELECT count(*) FROM answer_bases"); got != 4 {
		t.Errorf("%d bases of %d answers with nothing in common, want 4", got, n)
	}
	// More kinds than are kept ready: each is made again, and all are read.
	for i := range 40 {
		id := fmt.Sprint("P", i)
		want[id] = append(noise(4<<10), id...)
		put(home(t), t, s, assessment(id, fmt.Sprint("P", i), want[id]))
	}
	for id, a := range want {
		if got, err := s.Get(home(t), id); err != nil || !bytes.Equal(got.Answer, a) {
			t.Fatalf("%s comes back as %d bytes (%v)", id, len(got.Answer), err)
		}
	}
}

// TestPackedRoundTrip: any bytes come back, whatever was packed before them.
func TestPackedRoundTrip(t *testing.T) {
	s := fresh(t)
	n := 0
	rapid.Check(t, func(t *rapid.T) {
		n++
		piece := rapid.SliceOfN(rapid.Byte(), 0, 40).Draw(t, "piece")
		answer := bytes.Repeat(append(piece, '\n'), rapid.IntRange(0, 2000).Draw(t, "times"))
		r := assessment(fmt.Sprint("R", n), rapid.SampledFrom([]string{"GB", "NZ"}).Draw(t, "place"), answer)
		if err := s.Put(as(t.Context(), saltmarsh), r); err != nil {
			t.Fatal(err)
		}
		if got, err := s.Get(as(t.Context(), saltmarsh), r.ID); err != nil || !bytes.Equal(got.Answer, answer) {
			t.Fatalf("%d bytes come back as %d (%v)", len(answer), len(got.Answer), err)
		}
	})
}

// TestPackedAtOnce: many tenants, places and callers at once, under the race detector.
func TestPackedAtOnce(t *testing.T) {
	s := fresh(t)
	tenants := []string{saltmarsh, tarn}
	makeTarn(t, s)
	answers := assessed(t, 4)
	var wg sync.WaitGroup
	for w := range 8 {
		wg.Go(func() {
			ctx := as(t.Context(), tenants[w%2])
			for i := range 12 {
				r := assessment(fmt.Sprintf("R%d-%d", w, i), fmt.Sprint("P", i%3), answers[(w+i)%4])
				if err := s.Put(ctx, r); err != nil {
					t.Error(err)
					return
				}
				if got, err := s.Get(ctx, r.ID); err != nil || !bytes.Equal(got.Answer, r.Answer) {
					t.Errorf("%s: %v", r.ID, err)
				}
			}
		})
	}
	wg.Wait()
}
