package endpoint

// shrinkFrom is the size from which on a map is made anew when most of it has gone: below it there is nothing worth
// giving back.
const shrinkFrom = 256

// table is a map that gives its memory back: a Go map keeps the room of the most entries it ever had, so after a flood
// it would keep that of the flood. A table is made anew when three quarters of the entries have gone, which costs a
// constant for each. The zero value is ready. It is not safe for concurrent use.
type table[K comparable, V any] struct {
	m    map[K]V
	most int // entries since it was made
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

// count is a table of numbers without those that are 0.
type count[K comparable] struct{ table[K, int] }

func (c *count[K]) add(k K, by int) {
	if n := c.get(k) + by; n > 0 {
		c.put(k, n)
	} else {
		c.remove(k)
	}
}
