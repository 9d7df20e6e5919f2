package analyze

import (
	"maps"
	"slices"
	"time"
)

// A shelf keeps the states of all units. Those of a small fleet stay as they are. Of a large one only those used
// last do; the others are at rest, packed into a tenth of the room. Its readers may run beside each other.
type shelf struct {
	*packer
	blank func(unit string) *Vehicle // a state before its first poll
	units map[string]*place
	awake []string // in the order in which they woke, each once
	small int      // units of a small fleet
	most  int      // so many are awake in a large one
}

// A place is one unit on the shelf.
type place struct {
	v       *Vehicle // nil at rest
	packed  []byte
	signals []Signal
	trace   *tracer
}

// A fleet of smallFleet units takes about 130 MB as it is.
const (
	smallFleet = 2048
	mostAwake  = 16
)

func newShelf(blank func(string) *Vehicle) *shelf {
	return &shelf{packer: newPacker(), blank: blank, units: map[string]*place{}, small: smallFleet, most: mostAwake}
}

// at is the state of a unit, nil when there is none. It must not be changed.
func (s *shelf) at(unit string) *Vehicle {
	p, ok := s.units[unit]
	switch {
	case !ok:
		return nil
	case p.v != nil:
		return p.v
	}
	return s.unpacked(unit, p)
}

func (s *shelf) unpacked(unit string, p *place) *Vehicle {
	v := s.blank(unit)
	s.unpack(p.packed, v)
	v.signals, v.trace = p.signals, p.trace
	return v
}

// wake is the state of a unit, to be changed. It stays awake until others have woken after it.
func (s *shelf) wake(unit string) *Vehicle {
	v := s.at(unit)
	if p := s.units[unit]; v != nil && p.v == nil {
		*p = place{v: v}
		s.woke(unit)
	}
	return v
}

// put sets the state of a unit.
func (s *shelf) put(v *Vehicle) {
	p, ok := s.units[v.unit]
	if !ok {
		p = &place{}
		s.units[v.unit] = p
	}
	slept := p.v == nil
	*p = place{v: v}
	if slept {
		s.woke(v.unit)
	}
}

func (s *shelf) woke(unit string) {
	s.awake = append(s.awake, unit)
	for len(s.units) > s.small && len(s.awake) > s.most {
		p := s.units[s.awake[0]]
		v := p.v
		*p = place{packed: s.pack(v), signals: v.signals, trace: v.trace}
		s.awake = s.awake[1:]
	}
}

// signals are the claims of a unit.
func (s *shelf) signals(unit string) []Signal {
	p, ok := s.units[unit]
	switch {
	case !ok:
		return nil
	case p.v != nil:
		return p.v.Signals()
	}
	return slices.Clone(p.signals)
}

// last is the time of the newest poll of a unit.
func (s *shelf) last(unit string) time.Time {
	p, ok := s.units[unit]
	switch {
	case !ok:
		return time.Time{}
	case p.v != nil:
		return p.v.LastPoll()
	}
	return timeOf(newestOf(p.packed))
}

func (s *shelf) names() []string { return slices.Sorted(maps.Keys(s.units)) }

// drop forgets units.
func (s *shelf) drop(gone func(unit string) bool) {
	maps.DeleteFunc(s.units, func(unit string, _ *place) bool { return gone(unit) })
	s.awake = slices.DeleteFunc(s.awake, gone)
}
