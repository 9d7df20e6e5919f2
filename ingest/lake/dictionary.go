package lake

// A dictionary holds distinct values in the order in which they came.
type dictionary[T comparable] struct {
	values []T
	place  map[T]int32
}

func (d *dictionary[T]) reset() {
	clear(d.values) // strings
	d.values = d.values[:0]
	clear(d.place)
}

// at is the place of a value, new or not. stored gives the form in which it is stored; nil = as it is.
func (d *dictionary[T]) at(v T, stored func(T) T) int32 {
	at, ok := d.place[v]
	if ok {
		return at
	}
	if d.place == nil { // of the four in a packer one is used
		d.place = map[T]int32{}
	}
	s := v
	if stored != nil {
		s = stored(v)
	}
	if at, ok = d.place[s]; !ok {
		at = int32(len(d.values))
		d.values = append(d.values, s)
		d.place[s] = at
	}
	d.place[v] = at
	return at
}
