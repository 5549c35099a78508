package client

import (
	"crypto/hmac"
	"crypto/sha256"
	"encoding/base64"
	"errors"
	"fmt"
	"net/http"
	"strconv"
	"strings"
	"time"
)

// HookTolerance is how far the time of a delivery may be from that of its
// receiver where nothing else is asked for.
const HookTolerance = 5 * time.Minute

// Errors of deliveries to webhooks that are not to be believed.
var (
	ErrHookHeader    = errors.New("the headers of a delivery are not there, or not readable")
	ErrHookTime      = errors.New("the delivery is too old, or of a time to come")
	ErrHookSignature = errors.New("no signature of the delivery is made with a secret of the webhook")
)

// VerifyHook tells whether a request is a delivery of drawgear to a webhook with one
// of the secrets, of the form whsec_… that it was set up with: one is enough, and
// while a receiver goes from one to another it may hold both. body is what was
// received, byte for byte: JSON that was read and written again is another text. The
// time of sending must be within a tolerance of now, both ways; HookTolerance if 0.
// It fails with ErrHookHeader, ErrHookTime or ErrHookSignature, and with another
// error if there is no secret or one of them is none.
//
// A delivery may come twice, and be sent again by hand. Webhook-Id is the same
// then: a receiver that remembers the ids of some days does nothing twice.
//
// It follows the open specification Standard Webhooks 1.0.0
// (https://www.standardwebhooks.com), so that other libraries for it do as well.
func VerifyHook(header http.Header, body []byte, secrets []string, now time.Time, tolerance time.Duration) error {
	if len(secrets) == 0 {
		return errors.New("there is no secret to verify a delivery with")
	}
	keys := make([][]byte, len(secrets))
	for i, secret := range secrets {
		var err error
		if keys[i], err = hookKey(secret); err != nil {
			return err
		}
	}
	if tolerance <= 0 {
		tolerance = HookTolerance
	}
	id, at, signatures := header.Get("Webhook-Id"), header.Get("Webhook-Timestamp"), header.Get("Webhook-Signature")
	seconds, err := strconv.ParseUint(at, 10, 40)
	if err != nil || id == "" || signatures == "" {
		return ErrHookHeader
	}
	if now.Sub(time.Unix(int64(seconds), 0)).Abs() > tolerance {
		return ErrHookTime
	}
	for _, key := range keys {
		mac := hmac.New(sha256.New, key)
		fmt.Fprintf(mac, "%s.%s.", id, at)
		mac.Write(body)
		if signed(signatures, mac.Sum(nil)) {
			return nil
		}
	}
	return ErrHookSignature
}

// signed says whether one of the signatures of a header is the one that is wanted. How
// long it takes tells nothing of how much of it is right.
func signed(header string, want []byte) bool {
	for one := range strings.FieldsSeq(header) {
		text, ok := strings.CutPrefix(one, "v1,")
		got, err := base64.StdEncoding.DecodeString(text)
		if ok && err == nil && hmac.Equal(got, want) {
			return true
		}
	}
	return false
}

// hookKey reads a secret. One that is too short, such as a variable that was never
// set, would let anybody sign.
func hookKey(secret string) ([]byte, error) {
	const least, most = 24, 64 // bytes, as the specification has it
	key, err := base64.StdEncoding.DecodeString(strings.TrimPrefix(secret, "whsec_"))
	if err != nil || len(key) < least || len(key) > most {
		return nil, errors.New("the secret of a webhook is not whsec_ and 24 to 64 bytes in base64")
	}
	return key, nil
}
