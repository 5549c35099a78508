package memory

import "maps"

// table is a map that can lie over another one: what is written stays in the
// upper until it is poured into the lower. Nothing is removed from a table that
// lies over another.
type table[K comparable, V any] struct {
	own  map[K]V
	base *table[K, V]
}

// over returns an empty table that lies over this one.
func (t *table[K, V]) over() table[K, V] { return table[K, V]{base: t} }

// pour writes everything into the table below.
func (t *table[K, V]) pour() {
	for k, v := range t.own {
		t.base.put(k, v)
	}
}

func (t *table[K, V]) get(k K) (V, bool) {
	for ; t != nil; t = t.base {
		if v, ok := t.own[k]; ok {
			return v, true
		}
	}
	var none V
	return none, false
}

func (t *table[K, V]) put(k K, v V) {
	if t.own == nil {
		t.own = map[K]V{}
	}
	t.own[k] = v
}

// all is the whole table as one map, to be read only.
func (t *table[K, V]) all() map[K]V {
	if t.base == nil {
		return t.own
	}
	m := map[K]V{}
	maps.Copy(m, t.base.all())
	maps.Copy(m, t.own)
	return m
}
