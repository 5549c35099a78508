package service_test

import (
	"bytes"
	"encoding/hex"
	"errors"
	"fmt"
	"strings"
	"testing"
	"time"

	"golang.org/x/mod/sumdb/note"

	"drawgear/db/memory"
	"drawgear/rules"
	"drawgear/service"
)

func logged(t *testing.T, n int) (*memory.Store, *service.Ledger, note.Verifier) {
	t.Helper()
	store := memory.New(0)
	for i := range n {
		put(t, store, i)
	}
	signer, err := service.LogSigner("")
	if err != nil {
		t.Fatal(err)
	}
	verifier, err := note.NewVerifier(service.VerifierKey(signer))
	if err != nil {
		t.Fatal(err)
	}
	return store, service.NewLedger(store, signer), verifier
}

func put(t *testing.T, store service.Assessments, i int) {
	t.Helper()
	err := store.Put(local(t), service.Record{
		Summary: service.Summary{ID: fmt.Sprintf("RECORD%d", i), CreatedAt: time.Date(2026, 11, 25, 12, 0, i, 0, time.UTC), Jurisdiction: "GB", AsOf: "2026-11-25", Verdict: rules.Compliant},
		Engine:  "test", Rig: fmt.Appendf(nil, `{"n":%d}`, i), Answer: []byte(`{"verdict":"<compliant>"}`),
	})
	if err != nil {
		t.Fatal(err)
	}
}

// TestProofs proves every entry of logs of many sizes and checks each proof
// with nothing but the verifier key.
func TestProofs(t *testing.T) {
	for _, n := range []int{1, 2, 3, 4, 5, 7, 8, 9, 31, 33} {
		_, ledger, verifier := logged(t, n)
		for i := range n {
			p, err := ledger.Prove(local(t), fmt.Sprintf("RECORD%d", i))
			if err != nil {
				t.Fatal(err)
			}
			if err := p.Verify(verifier); err != nil {
				t.Errorf("%d of %d: %v", i, n, err)
			}
			bad := p
			bad.Leaf = p.Leaf[:len(p.Leaf)-8] + "AAAAAAA="
			if err := bad.Verify(verifier); err == nil {
				t.Errorf("%d of %d: another leaf is accepted", i, n)
			}
			bad = p
			bad.Index = (p.Index + 1) % int64(n)
			if err := bad.Verify(verifier); err == nil && n > 1 {
				t.Errorf("%d of %d: another place is accepted", i, n)
			}
		}
	}
}

func TestProofOfNothing(t *testing.T) {
	_, ledger, _ := logged(t, 2)
	if _, err := ledger.Prove(local(t), "NONE"); !errors.Is(err, service.ErrNotFound) {
		t.Errorf("%v", err)
	}
	other := service.WithCaller(t.Context(), service.Caller{Tenant: "00000000-0000-4000-8000-00000000000b", Subject: "b", Scopes: service.Scopes})
	if _, err := ledger.Prove(other, "RECORD0"); !errors.Is(err, service.ErrNotFound) {
		t.Errorf("another tenant: %v", err)
	}
}

// TestConsistent grows a log and proves each size within each later one.
func TestConsistent(t *testing.T) {
	store, ledger, verifier := logged(t, 0)
	var heads []service.Head
	for i := range 12 {
		put(t, store, i)
		h, err := ledger.Head(local(t))
		if err != nil {
			t.Fatal(err)
		}
		heads = append(heads, h)
	}
	for from := 1; from <= 12; from++ {
		for to := from; to <= 12; to++ {
			c, err := ledger.Consistent(local(t), int64(from), int64(to))
			if err != nil {
				t.Fatal(err)
			}
			if c.Head.Root != heads[to-1].Root {
				t.Errorf("root of %d is %s, then %s", to, heads[to-1].Root, c.Head.Root)
			}
			if err := c.Verify(heads[from-1], verifier); err != nil {
				t.Errorf("%d within %d: %v", from, to, err)
			}
			wrong := heads[from-1]
			wrong.Root = heads[from%12].Root
			if err := c.Verify(wrong, verifier); err == nil && from != to {
				t.Errorf("%d within %d: another root is accepted", from, to)
			}
		}
	}
	for _, bad := range [][2]int64{{0, 1}, {2, 1}, {1, 13}} {
		if _, err := ledger.Consistent(local(t), bad[0], bad[1]); !errors.Is(err, service.ErrLogRange) {
			t.Errorf("%v: %v", bad, err)
		}
	}
}

// TestExport writes a log out, checks it offline, and then finds every way in
// which somebody could have meddled with the file.
func TestExport(t *testing.T) {
	_, ledger, verifier := logged(t, 9)
	var out bytes.Buffer
	if err := ledger.Export(local(t), &out); err != nil {
		t.Fatal(err)
	}
	v, err := service.VerifyExport(bytes.NewReader(out.Bytes()), verifier)
	if err != nil || v.Size != 9 || v.Records != 9 || v.Bare != 0 {
		t.Fatalf("%+v, %v", v, err)
	}
	text := out.String()
	lines := strings.SplitAfter(text, "\n")
	swap := append([]string(nil), lines...)
	swap[3], swap[4] = swap[4], swap[3]
	_, _, otherVerifier := logged(t, 0)
	for name, meddled := range map[string]string{
		"a rig changed":       strings.Replace(text, `{\"n\":4}`, `{\"n\":5}`, 1),
		"an answer changed":   strings.Replace(text, "compliant", "undetermined", 1),
		"a day changed":       strings.Replace(text, "2026-11-25T12:00:03Z", "2026-11-25T12:00:04Z", 1),
		"an entry left out":   strings.Join(append(append([]string(nil), lines[:4]...), lines[5:]...), ""),
		"the last left out":   strings.Join(lines[:9], ""),
		"one more":            text + lines[9],
		"two swapped":         strings.Join(swap, ""),
		"a hash without text": strings.Replace(text, lines[5], `{"index":4,"hash":"`+hex.EncodeToString(make([]byte, 32))+"\"}\n", 1),
		"another head":        strings.Replace(text, `\n9\n`, `\n8\n`, 1),
		"nothing":             "",
		"no JSON":             "x\n",
	} {
		if meddled == text {
			t.Fatalf("%s: the edit changed nothing", name)
		}
		if _, err := service.VerifyExport(strings.NewReader(meddled), verifier); err == nil {
			t.Errorf("%s: accepted", name)
		}
	}
	if _, err := service.VerifyExport(strings.NewReader(text), otherVerifier); err == nil {
		t.Error("the signature of another key is accepted")
	}
}

// TestExportAfterDrop: records that a bounded store let go of stay in the log
// as hashes, and the export still verifies.
func TestExportAfterDrop(t *testing.T) {
	store := memory.New(3)
	for i := range 8 {
		put(t, store, i)
	}
	signer, err := service.LogSigner("")
	if err != nil {
		t.Fatal(err)
	}
	verifier, err := note.NewVerifier(service.VerifierKey(signer))
	if err != nil {
		t.Fatal(err)
	}
	var out bytes.Buffer
	if err := service.NewLedger(store, signer).Export(local(t), &out); err != nil {
		t.Fatal(err)
	}
	v, err := service.VerifyExport(&out, verifier)
	if err != nil || v.Records != 3 || v.Bare != 5 {
		t.Errorf("%+v, %v", v, err)
	}
}

// TestLogKey: a signer key gives the same verifier key every time, and what is
// no key is refused.
func TestLogKey(t *testing.T) {
	secret, public, err := service.NewLogKey()
	if err != nil {
		t.Fatal(err)
	}
	signer, err := service.LogSigner(secret + "\n")
	if err != nil {
		t.Fatal(err)
	}
	if got := service.VerifierKey(signer); got != public {
		t.Errorf("%s, want %s", got, public)
	}
	if _, err := service.LogSigner("PRIVATE+KEY+nonsense"); err == nil {
		t.Error("nonsense is accepted")
	} else if strings.Contains(err.Error(), "nonsense") {
		t.Errorf("the error tells the key: %v", err)
	}
}
