package endpoint

// shrinkFrom is the smallest peak size at which a table is copied to free memory. Smaller tables are not worth the
// copy.
const shrinkFrom = 256

// table is a map that frees its memory after a flood. A Go map keeps the memory of its largest size. A table copies
// itself into a new map when three quarters of the entries have been removed; per entry that cost is constant. The zero
// value is ready. Not safe for concurrent use.
type table[K comparable, V any] struct {
	m    map[K]V
	most int // the largest number of entries since the map was made
}

func (t *table[K, V]) get(k K) V { return t.m[k] }

func (t *table[K, V]) len() int { return len(t.m) }

func (t *table[K, V]) put(k K, v V) {
	if t.m == nil {
		t.m = map[K]V{}
	}
	t.m[k] = v
	t.most = max(t.most, len(t.m))
}

func (t *table[K, V]) remove(k K) {
	delete(t.m, k)
	if t.most < shrinkFrom || len(t.m) > t.most/4 {
		return
	}
	m := make(map[K]V, len(t.m))
	for k, v := range t.m {
		m[k] = v
	}
	t.m, t.most = m, len(m)
}

// count is a table of positive numbers; an entry that reaches 0 is removed.
type count[K comparable] struct{ table[K, int] }

func (c *count[K]) add(k K, by int) {
	if n := c.get(k) + by; n > 0 {
		c.put(k, n)
	} else {
		c.remove(k)
	}
}
