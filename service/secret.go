package service

import (
	"fmt"
	"io"
	"log/slog"
)

// Secret is a text that must not get into logs, errors or replies by accident.
// However it is printed, logged or encoded, only a mask comes out; Reveal is the
// one way to the text, so that a search finds every place that uses it.
//
// The text is behind a pointer because package fmt reads unexported fields of
// structs without asking their methods, and prints pointers as addresses.
type Secret struct{ text *string }

const mask = "[secret]"

// NewSecret hides a text.
func NewSecret(text string) Secret { return Secret{&text} }

// Reveal gives the text, which is empty for the zero Secret.
func (s Secret) Reveal() string {
	if s.text == nil {
		return ""
	}
	return *s.text
}

// String gives the mask.
func (s Secret) String() string { return mask }

// Format writes the mask whatever the verb.
func (s Secret) Format(f fmt.State, _ rune) { io.WriteString(f, mask) }

// LogValue gives the mask.
func (s Secret) LogValue() slog.Value { return slog.StringValue(mask) }

// MarshalText gives the mask, to encoders of every kind.
func (s Secret) MarshalText() ([]byte, error) { return []byte(mask), nil }

// UnmarshalText takes any text, so that a Secret can be a flag. It never fails:
// whoever reads flags would repeat the text in the message.
func (s *Secret) UnmarshalText(text []byte) error {
	*s = NewSecret(string(text))
	return nil
}
