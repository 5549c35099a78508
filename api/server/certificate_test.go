package server

import (
	"log/slog"
	"os"
	"testing"
	"time"
)

// TestCertificateIsReadAgain: a certificate that is replaced is shown without a
// restart, and one that cannot be read is not.
func TestCertificateIsReadAgain(t *testing.T) {
	dir := t.TempDir()
	now := time.Now()
	put := func(name string) (cert, key string) {
		t.Helper()
		cert, key = Issue(t, dir, name)
		for _, f := range []string{cert, key} { // within the grain of the clock of files
			if err := os.Chtimes(f, now, now); err != nil {
				t.Fatal(err)
			}
		}
		return cert, key
	}
	cert, key := put("old.example")
	c, err := newCertificate(cert, key, slog.New(slog.DiscardHandler))
	if err != nil {
		t.Fatal(err)
	}
	c.now = func() time.Time { return now }
	shows := func(want string) {
		t.Helper()
		pair, err := c.get(nil)
		if err != nil || pair.Leaf.DNSNames[0] != want {
			t.Errorf("%v, it shows %v, want %s", err, pair.Leaf.DNSNames, want)
		}
	}
	shows("old.example")
	now = now.Add(recheck / 2)
	put("new.example")
	shows("old.example") // not looked at yet
	now = now.Add(recheck)
	shows("new.example")
	now = now.Add(recheck)
	if err := os.WriteFile(key, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	shows("new.example")
	now = now.Add(recheck)
	put("third.example")
	now = now.Add(recheck)
	shows("third.example")
}
