package service

import (
	"crypto/ed25519"
	"crypto/rand"
	"encoding/base64"
	"fmt"
	"strings"

	"golang.org/x/mod/sumdb/note"
)

// LogKeyName stands in the signatures of heads.
const LogKeyName = "drawgear-log"

// NewLogKey makes a pair of keys: the signer key, which is a secret, and the
// verifier key to give away.
func NewLogKey() (signer, verifier string, err error) {
	signer, verifier, err = note.GenerateKey(rand.Reader, LogKeyName)
	if err != nil {
		return "", "", fmt.Errorf("make a log key: %w", err)
	}
	return signer, verifier, nil
}

// LogSigner reads a signer key, or makes one that ends with the process if the
// text is empty.
func LogSigner(text string) (note.Signer, error) {
	if text == "" {
		var err error
		if text, _, err = NewLogKey(); err != nil {
			return nil, err
		}
	}
	s, err := note.NewSigner(strings.TrimSpace(text))
	if err != nil {
		return nil, fmt.Errorf("read the log key: %w", err)
	}
	return keyed{s, verifierOf(text)}, nil
}

// keyed is a signer that knows the verifier key that goes with it.
type keyed struct {
	note.Signer
	verifier string
}

// VerifierKey is the key by which others check the signer's heads; empty for a
// signer that LogSigner did not make.
func VerifierKey(s note.Signer) string {
	k, ok := s.(keyed)
	if !ok {
		return ""
	}
	return k.verifier
}

// verifierOf works the verifier key out of a signer key that NewSigner took:
// PRIVATE+KEY+name+hash+key, whose key is an algorithm byte and the seed.
func verifierOf(text string) string {
	parts := strings.SplitN(strings.TrimSpace(text), "+", 5)
	raw, err := base64.StdEncoding.DecodeString(parts[4])
	if err != nil || len(raw) != 1+ed25519.SeedSize {
		return ""
	}
	public, ok := ed25519.NewKeyFromSeed(raw[1:]).Public().(ed25519.PublicKey)
	if !ok {
		return ""
	}
	key, err := note.NewEd25519VerifierKey(parts[2], public)
	if err != nil {
		return ""
	}
	return key
}
