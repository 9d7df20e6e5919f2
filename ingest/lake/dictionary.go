package lake

// A dictionary holds distinct values in the order in which they came. A loose one is not looked through: a value may be
// in it again.
type dictionary[T comparable] struct {
	values []T
	place  map[T]int32
	loose  bool
}

func (d *dictionary[T]) reset() {
	clear(d.values) // strings
	d.values = d.values[:0]
	clear(d.place)
}

// at is the place of a value, new or not. stored gives the form in which it is stored; nil = as it is.
func (d *dictionary[T]) at(v T, stored func(T) T) int32 {
	if d.loose {
		d.values = append(d.values, v)
		return int32(len(d.values) - 1)
	}
	at, ok := d.place[v]
	if ok {
		return at
	}
	if d.place == nil { // of the four in a packer one is used
		d.place = map[T]int32{}
	}
	if stored != nil {
		if s := stored(v); s != v {
			at = d.at(s, nil)
			d.place[v] = at
			return at
		}
	}
	at = int32(len(d.values))
	d.values = append(d.values, v)
	d.place[v] = at
	return at
}
