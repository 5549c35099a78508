package memory

import "maps"

// table is a map that can lie over another one: what is written stays in the
// upper until it is poured into the lower.
type table[K comparable, V any] struct {
	own  map[K]V
	gone map[K]struct{} // of the table below, as seen from here
	base *table[K, V]
}

// over returns an empty table that lies over this one.
func (t *table[K, V]) over() table[K, V] { return table[K, V]{base: t} }

// pour writes everything into the table below.
func (t *table[K, V]) pour() {
	for k := range t.gone {
		t.base.remove(k)
	}
	for k, v := range t.own {
		t.base.put(k, v)
	}
}

func (t *table[K, V]) get(k K) (V, bool) {
	var none V
	for ; t != nil; t = t.base {
		if v, ok := t.own[k]; ok {
			return v, true
		}
		if _, gone := t.gone[k]; gone {
			return none, false
		}
	}
	return none, false
}

func (t *table[K, V]) put(k K, v V) {
	if t.own == nil {
		t.own = map[K]V{}
	}
	t.own[k] = v
	delete(t.gone, k)
}

func (t *table[K, V]) remove(k K) {
	delete(t.own, k)
	if t.base == nil {
		return
	}
	if t.gone == nil {
		t.gone = map[K]struct{}{}
	}
	t.gone[k] = struct{}{}
}

// all is the whole table as one map, to be read only.
func (t *table[K, V]) all() map[K]V {
	if t.base == nil {
		return t.own
	}
	m := map[K]V{}
	maps.Copy(m, t.base.all())
	for k := range t.gone {
		delete(m, k)
	}
	maps.Copy(m, t.own)
	return m
}
