package service

import (
	"context"

	"drawgear/rules"
)

// BookOf is the book by which the caller is answered.
func (s *Snapshots) BookOf(ctx context.Context) (*rules.Book, error) { return s.book(ctx) }

// Compiled counts the texts that were compiled.
func (s *Snapshots) Compiled() int {
	s.mu.Lock()
	defer s.mu.Unlock()
	return len(s.compiled)
}

// PastBooks counts the books of former times that are kept.
func (s *Snapshots) PastBooks() int {
	s.pastMu.Lock()
	defer s.pastMu.Unlock()
	return len(s.past)
}

// HoldAtOnce sets how many rows a comparison holds in memory.
func (a *Auditor) HoldAtOnce(rows int64) { a.atOnce = rows }
