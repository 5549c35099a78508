package service

// Library counts what ships and says how fresh the law is that answers, without
// asking the store.
func (s *Assessor) Library() Library { return s.law.library() }
