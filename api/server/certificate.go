package server

import (
	"crypto/tls"
	"fmt"
	"log/slog"
	"os"
	"sync"
	"time"
)

// recheck is how often the files of a certificate are looked at.
const recheck = 10 * time.Second

// certificate is read again when its files change, so that one that is about to
// end is replaced without a restart.
type certificate struct {
	certFile, keyFile string
	log               *slog.Logger
	now               func() time.Time

	mu     sync.Mutex
	looked time.Time
	stamp  string // of the files that current was read from
	held   *tls.Certificate
}

func newCertificate(certFile, keyFile string, log *slog.Logger) (*certificate, error) {
	c := &certificate{certFile: certFile, keyFile: keyFile, log: log, now: time.Now}
	if err := c.read(); err != nil {
		return nil, err
	}
	return c, nil
}

// get is the certificate now. While new files cannot be read, as when one of
// them is not yet replaced, the old certificate goes on.
func (c *certificate) get(*tls.ClientHelloInfo) (*tls.Certificate, error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if now := c.now(); now.Sub(c.looked) >= recheck {
		c.looked = now
		if err := c.read(); err != nil {
			c.log.Error("the TLS certificate was not read again; the one of before goes on", "error", err)
		}
	}
	return c.held, nil
}

func (c *certificate) read() error {
	stamp, err := stampOf(c.certFile, c.keyFile)
	if err != nil || stamp == c.stamp {
		return err
	}
	pair, err := tls.LoadX509KeyPair(c.certFile, c.keyFile)
	if err != nil {
		return fmt.Errorf("read the certificate and its key: %w", err)
	}
	if c.held != nil {
		c.log.Info("the TLS certificate was read again", "ends", pair.Leaf.NotAfter)
	}
	c.stamp, c.held = stamp, &pair
	return nil
}

// stampOf tells files from what they were before.
func stampOf(names ...string) (string, error) {
	var stamp string
	for _, name := range names {
		info, err := os.Stat(name)
		if err != nil {
			return "", err
		}
		stamp += fmt.Sprint(info.Size(), info.ModTime().UnixNano(), " ")
	}
	return stamp, nil
}
