package service

import (
	"crypto/hkdf"
	"crypto/hmac"
	"crypto/sha256"
	"encoding/base64"
	"strconv"
	"time"
)

// Deliveries are signed as the open specification Standard Webhooks 1.0.0 has it
// (https://www.standardwebhooks.com; verification: source read, and its published
// example is a test): the headers webhook-id, webhook-timestamp and
// webhook-signature, the last a list of "v1," and the base64 of
// HMAC-SHA256(secret, id "." timestamp "." body).
const (
	headerHookID        = "Webhook-Id"
	headerHookTimestamp = "Webhook-Timestamp"
	headerHookSignature = "Webhook-Signature"

	secretPrefix  = "whsec_"
	hookKeyLen    = 32             // bytes of the master key and of each secret
	secretOverlap = 24 * time.Hour // how long the secret before the newest signs, too
)

// hookSecret derives the secret of a generation of a webhook (RFC 5869, with
// SHA-256), so that none has to be kept.
func hookSecret(key []byte, tenant, id string, generation int) []byte {
	secret, err := hkdf.Key(sha256.New, key, nil, string(fields("webhook", tenant, id, strconv.Itoa(generation))), hookKeyLen)
	if err != nil {
		panic(err) // only of a length beyond 255 digests
	}
	return secret
}

// secretText is a secret as its receiver is given it.
func secretText(secret []byte) string {
	return secretPrefix + base64.StdEncoding.EncodeToString(secret)
}

// hookSignatures signs an event for a webhook with every secret that is good at a
// time, the newest first.
func hookSignatures(key []byte, tenant string, w Webhook, event string, at time.Time, body []byte) string {
	out := signHook(hookSecret(key, tenant, w.ID, w.Generation), event, at, body)
	if w.Generation > 1 && at.Before(w.RotatedAt.Add(secretOverlap)) {
		out += " " + signHook(hookSecret(key, tenant, w.ID, w.Generation-1), event, at, body)
	}
	return out
}

func signHook(secret []byte, event string, at time.Time, body []byte) string {
	mac := hmac.New(sha256.New, secret)
	mac.Write([]byte(event + "." + strconv.FormatInt(at.Unix(), 10) + "."))
	mac.Write(body)
	return "v1," + base64.StdEncoding.EncodeToString(mac.Sum(nil))
}
