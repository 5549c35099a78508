package service_test

import (
	"encoding/base64"
	"strings"
	"testing"
	"time"

	"drawgear/service"
)

// TestSignHook holds a signature to the example of Standard Webhooks 1.0.0
// (github.com/standard-webhooks/standard-webhooks, libraries/go, TestWebhookSign).
func TestSignHook(t *testing.T) {
	secret, err := base64.StdEncoding.DecodeString("MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw")
	if err != nil {
		t.Fatal(err)
	}
	got := service.SignHook(secret, "msg_p5jXN8AQM9LWM0D4loKWxJek", time.Unix(1614265330, 999_999_999), []byte(`{"test": 2432232314}`))
	if want := "v1,g0hM9SsE+OTPJTGt/tmIKtSyZlE3uFJELVlNIOLJ1OE="; got != want {
		t.Errorf("signed %s, want %s", got, want)
	}
}

// TestHookSecret holds secrets to HKDF (RFC 5869) worked out by another program,
// which gives test case 3 of that RFC: HMAC-SHA256 of Python's standard library,
// no salt, and the info "7:webhook\n36:<tenant>\n26:<id>\n1:<generation>\n".
func TestHookSecret(t *testing.T) {
	key := []byte(strings.Repeat("k", 32))
	for generation, want := range map[int]string{
		1: "Tb02wMeum180cLu3yXsf+hrjs0o5PkfKA92or3cZ0SM=",
		2: "tQg5WXTEJnaDxcRCxIrYzloJU78xGClzb0AqXHMqvJk=",
	} {
		if got := base64.StdEncoding.EncodeToString(service.HookSecret(key, service.DefaultTenant, "AAAAAAAAAAAAAAAAAAAAAAAAAE", generation)); got != want {
			t.Errorf("secret %d is %s, want %s", generation, got, want)
		}
	}
}
