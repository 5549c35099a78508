package service

import (
	"context"
	"encoding/base64"
	"fmt"
	"strconv"
	"strings"
	"time"

	"drawgear/rules"
)

// Page is the part of a list that fits a page.
type Page[T any] struct {
	Items []T    `json:"items"`
	Next  string `json:"next,omitempty"` // cursor of what follows; empty if nothing does
}

// All is a list that comes whole.
type All[T any] struct {
	Items []T `json:"items"`
}

// Sizes of a page.
const (
	DefaultLimit = 20
	MaxLimit     = 100
)

// Query picks assessments for a list. The zero Query is the first page of all.
type Query struct {
	Jurisdiction string        // only this place, exactly; empty for all
	Verdict      rules.Verdict // only this verdict; empty for all
	Limit        int           // 1 to MaxLimit; 0 for DefaultLimit
	Cursor       string        // Next of the page before; empty for the first
}

// List gives a page of what was kept, newest first.
func (s *Assessor) List(ctx context.Context, q Query) (Page[Summary], error) {
	return paged(q.Limit, q.Cursor, func(after *Position, limit int) ([]Summary, error) {
		items, err := s.store.List(ctx, Filter{Jurisdiction: q.Jurisdiction, Verdict: q.Verdict, After: after, Limit: limit})
		if err != nil {
			return nil, fmt.Errorf("list assessments: %w", err)
		}
		for i := range items {
			items[i].CreatedAt = items[i].CreatedAt.UTC()
		}
		return items, nil
	})
}

// paged gives the page at a cursor of a list that find reads.
func paged[T interface{ Position() Position }](limit int, at string, find func(after *Position, limit int) ([]T, error)) (Page[T], error) {
	if limit <= 0 {
		limit = DefaultLimit
	}
	limit = min(limit, MaxLimit)
	var after *Position
	if at != "" {
		p, err := parseCursor(at)
		if err != nil {
			return Page[T]{}, err
		}
		after = &p
	}
	items, err := find(after, limit+1) // one more tells whether a page follows
	if err != nil {
		return Page[T]{}, err
	}
	page := Page[T]{Items: make([]T, 0, limit)}
	for i, it := range items {
		if i == limit {
			page.Next = cursor(items[limit-1].Position())
			break
		}
		page.Items = append(page.Items, it)
	}
	return page, nil
}

// cursor writes a place in the list so that it can stand in a URL. Callers are
// not meant to look inside.
func cursor(p Position) string {
	return placeText(strconv.FormatInt(p.CreatedAt.UnixMicro(), 10) + "." + p.ID)
}

// placeText writes a place in any list as a cursor.
func placeText(place string) string { return base64.RawURLEncoding.EncodeToString([]byte(place)) }

// placeOf reads the place of a cursor, which is empty for the first page.
func placeOf(text string) (string, error) {
	raw, err := base64.RawURLEncoding.Strict().DecodeString(text)
	if err != nil {
		return "", ErrCursor
	}
	return string(raw), nil
}

func parseCursor(text string) (Position, error) {
	place, err := placeOf(text)
	if err != nil {
		return Position{}, err
	}
	micros, id, ok := strings.Cut(place, ".")
	n, err := strconv.ParseInt(micros, 10, 64)
	p := Position{CreatedAt: time.UnixMicro(n).UTC(), ID: id}
	if !ok || err != nil || cursor(p) != text {
		return Position{}, ErrCursor
	}
	return p, nil
}
