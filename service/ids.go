package service

import (
	"crypto/rand"
	"encoding/base32"
	"encoding/binary"
	"sync/atomic"
)

// RandomID is the id of something that is kept: 26 letters and digits, which
// hold 130 random bits, so that it cannot be guessed.
func RandomID() string { return rand.Text() }

// CountedIDs gives ids of the same form that count up from one, the same in
// every process. They can be guessed, and after a new start they come again:
// they are for tests over a store that ends with the process.
func CountedIDs() func() string {
	var n atomic.Uint64
	return func() string {
		var id [16]byte // 26 letters of five bits, the last two bits of which are nought
		binary.BigEndian.PutUint64(id[8:], n.Add(1))
		return base32.StdEncoding.WithPadding(base32.NoPadding).EncodeToString(id[:])
	}
}

// WithIDs returns the use cases with ids from elsewhere than RandomID.
func (s *Assessor) WithIDs(next func() string) *Assessor {
	other := *s
	other.ids = next
	return &other
}
