package memory

import "time"

// Hurry makes a store wait so long before it tries a job again.
func (s *Store) Hurry(again time.Duration) { s.backoff = func(int) time.Duration { return again } }
