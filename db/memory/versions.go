package memory

import (
	"bytes"
	"cmp"
	"context"
	"fmt"
	"slices"
	"strconv"

	"drawgear/service"
)

// ImportVersions adds all that are missing, or none if one is there with
// another text: with another SHA-256, that is, since a comment that was mended
// is not another law.
func (s *Store) ImportVersions(ctx context.Context, vs []service.Version) error {
	err := s.write(ctx, func(d *data) error {
		missing := map[versionID]service.Version{}
		for _, v := range vs {
			at := versionID{"", v.Ruleset, v.Number}
			old, there := d.versions.get(at)
			if !there {
				old, there = missing[at]
			}
			switch {
			case !there:
				v = copyVersion(v)
				v.Tenant, v.State = "", service.Published
				missing[at] = v
			case old.SHA256 != v.SHA256:
				return fmt.Errorf("%s version %d: it is there with another text", v.Ruleset, v.Number)
			}
		}
		for at, v := range missing {
			d.versions.put(at, v)
			d.mark++
		}
		return nil
	})
	if err != nil {
		return fmt.Errorf("import versions: %w", err)
	}
	return nil
}

func copyVersion(v service.Version) service.Version {
	v.Document = bytes.Clone(v.Document)
	return v
}

// PutDraft keeps of a version what belongs to a draft. Its author and time are
// those of the text, so that whoever wrote last cannot also approve it.
func (s *Store) PutDraft(ctx context.Context, v service.Version, tag string) error {
	err := s.writeOwn(ctx, func(tenant string, d *data) error {
		at := versionID{tenant, v.Ruleset, v.Number}
		old, there := d.versions.get(at)
		switch {
		case there && tag != old.ETag(), !there && tag != "":
			return service.ErrStale
		case there && old.State != service.Draft:
			return service.ErrState
		}
		d.versions.put(at, service.Version{
			Tenant: tenant, Ruleset: v.Ruleset, Number: v.Number, Jurisdiction: v.Jurisdiction, Title: v.Title,
			State: service.Draft, Document: bytes.Clone(v.Document), SHA256: v.SHA256,
			AuthoredBy: v.AuthoredBy, CreatedAt: v.CreatedAt,
		})
		return nil
	})
	if err != nil {
		return fmt.Errorf("put draft of %s version %d: %w", v.Ruleset, v.Number, err)
	}
	return nil
}

// Move finds only the tenant's own: a shipped version is nobody's to move.
func (s *Store) Move(ctx context.Context, id string, version int, tag string, from service.State, v service.Version) error {
	err := s.writeOwn(ctx, func(tenant string, d *data) error {
		at := versionID{tenant, id, version}
		old, there := d.versions.get(at)
		if !there {
			return service.ErrNotFound
		}
		moved, err := old.Moved(tag, from, v)
		if err != nil {
			return err
		}
		d.versions.put(at, moved)
		if moved.State != service.Approved {
			d.mark++
		}
		return nil
	})
	if err != nil {
		return fmt.Errorf("move %s version %d to %s: %w", id, version, v.State, err)
	}
	return nil
}

// GetVersion prefers the tenant's own version to a shipped one of the same name.
func (s *Store) GetVersion(ctx context.Context, id string, version int) (service.Version, error) {
	var v service.Version
	err := s.readOwn(ctx, func(tenant string, d *data) error {
		kept, ok := d.versions.get(versionID{tenant, id, version})
		if !ok {
			kept, ok = d.versions.get(versionID{"", id, version})
		}
		if !ok {
			return service.ErrNotFound
		}
		v = copyVersion(kept)
		return nil
	})
	if err != nil {
		return service.Version{}, fmt.Errorf("%s version %d: %w", id, version, err)
	}
	return v, nil
}

// ListVersions lists the tenant's own version before a shipped one of the same
// name.
func (s *Store) ListVersions(ctx context.Context) ([]service.Version, error) {
	var out []service.Version
	err := s.readOwn(ctx, func(tenant string, d *data) error {
		for at, v := range d.versions.all() {
			if at.tenant == tenant || at.tenant == "" {
				v.Document = nil
				out = append(out, v)
			}
		}
		return nil
	})
	if err != nil {
		return nil, fmt.Errorf("list versions: %w", err)
	}
	sortVersions(out)
	return out, nil
}

func sortVersions(vs []service.Version) {
	slices.SortFunc(vs, func(a, b service.Version) int {
		return cmp.Or(cmp.Compare(a.Ruleset, b.Ruleset), cmp.Compare(a.Number, b.Number), cmp.Compare(b.Tenant, a.Tenant))
	})
}

// LoadVersions gives them in the order of ListVersions.
func (s *Store) LoadVersions(ctx context.Context) ([]service.Version, string, error) {
	var out []service.Version
	var mark string
	err := s.read(ctx, func(d *data) error {
		for _, v := range d.versions.all() {
			if v.State == service.Published || v.State == service.Withdrawn {
				out = append(out, copyVersion(v))
			}
		}
		mark = strconv.Itoa(d.mark)
		return nil
	})
	if err != nil {
		return nil, "", fmt.Errorf("load versions: %w", err)
	}
	sortVersions(out)
	return out, mark, nil
}

// WatchVersions tells of several changes at once if they come while changed
// runs.
func (s *Store) WatchVersions(ctx context.Context, changed func()) error {
	news := s.news()
	for {
		select {
		case <-ctx.Done():
			return fmt.Errorf("watch versions: %w", ctx.Err())
		case <-news:
			// Before the call, so that what happens during it is told next.
			news = s.news()
			if ctx.Err() == nil {
				changed()
			}
		}
	}
}

func (s *Store) news() <-chan struct{} {
	s.mu.RLock()
	defer s.mu.RUnlock()
	return s.changed
}
