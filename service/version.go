package service

// Next is the state that follows in the life of a version, and empty after the
// last.
func (s State) Next() State {
	switch s {
	case Draft:
		return Approved
	case Approved:
		return Published
	case Published:
		return Withdrawn
	default:
		return ""
	}
}

// ETag tells the text and state of a version from those before and after it, in
// the quoted form of the HTTP header. It is derived from the state, the SHA-256,
// and who did what when, so that every store gives the same one, with or
// without the document at hand.
func (v Version) ETag() string {
	sum := digest(fields(string(v.State), v.SHA256, v.AuthoredBy, v.ApprovedBy, v.PublishedBy,
		stamp(v.CreatedAt), stamp(v.PublishedAt), stamp(v.WithdrawnAt)))
	return `"` + sum[:32] + `"`
}

// Moved is the version one step further in its life, as Versions.Move promises
// it: to names the state, and who, when and why as far as they belong to this
// step. Nothing else of to counts.
func (v Version) Moved(tag string, from State, to Version) (Version, error) {
	switch {
	case tag != v.ETag():
		return Version{}, ErrStale
	case v.State != from, to.State == "", to.State != from.Next():
		return Version{}, ErrState
	}
	v.State = to.State
	switch to.State {
	case Approved:
		v.ApprovedBy = to.ApprovedBy
	case Published:
		v.PublishedBy, v.PublishedAt = to.PublishedBy, to.PublishedAt
	case Withdrawn:
		v.WithdrawnAt, v.Reason = to.WithdrawnAt, to.Reason
	}
	return v, nil
}
