package service

import (
	"crypto/sha256"
	"encoding/hex"
	"strconv"
	"time"
)

// Leaf is what the log of a tenant holds a record to: the data of its leaf in
// the Merkle tree, whose hash (RFC 6962, section 2.1) is SHA-256 over a zero
// byte and these bytes. The form never changes, or the logs that exist could
// not be verified any more; a later form would begin with another tag.
//
// A leaf is a sequence of fields. Each is written as the number of its bytes in
// decimal digits without leading zeros, a colon, the bytes themselves as they
// are, and a line feed (0x0A), which the number does not count. The fields are,
// in this order:
//
//  1. the tag "drawgear-assessment-1"
//  2. the tenant, as it was told to the store
//  3. the id of the assessment
//  4. created_at: RFC 3339 in UTC with "Z" and always six digits of the second,
//     as in 2026-11-25T12:00:00.000000Z
//  5. as_of: the day whose law was asked for, as in 2026-11-25
//  6. known_at: in the form of created_at; empty if no knowledge time was asked for
//  7. the version of the engine that answered
//  8. the jurisdiction
//  9. the verdict
//  10. SHA-256 of the bytes of the rig, 64 lower case hexadecimal digits
//  11. SHA-256 of the bytes of the answer, likewise
//
// Whatever a field holds, no two records give the same bytes. The ruleset
// versions and their hashes are part of the answer.
func (r Record) Leaf(tenant string) []byte {
	return fields("drawgear-assessment-1", tenant, r.ID, stamp(r.CreatedAt), r.AsOf, stamp(r.KnownAt), r.Engine,
		r.Jurisdiction, string(r.Verdict), digest(r.Rig), digest(r.Answer))
}

// fields writes texts so that no other sequence of texts is written the same.
func fields(texts ...string) []byte {
	var out []byte
	for _, text := range texts {
		out = strconv.AppendInt(out, int64(len(text)), 10)
		out = append(out, ':')
		out = append(out, text...)
		out = append(out, '\n')
	}
	return out
}

// stamp writes a time to the microsecond, which is what stores keep of it, and
// the zero time as nothing.
func stamp(t time.Time) string {
	if t.IsZero() {
		return ""
	}
	return t.UTC().Format("2006-01-02T15:04:05.000000Z")
}

func digest(b []byte) string {
	sum := sha256.Sum256(b)
	return hex.EncodeToString(sum[:])
}
