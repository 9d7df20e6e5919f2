package lake

import (
	"context"
	"encoding/json"
	"fmt"
	"math/bits"
	"slices"
)

// Fences part the vehicles into cells, by VIN: cell i begins at fence i-1 and ends before fence i. Compaction
// cuts its files there, so that the files of one cell of all months hold the same vehicles and can be merged
// for good, a few at a time, whatever the size of the lake. They are kept in the properties of the reports
// table. A fence stays where it is; more of them come as the lake grows.
type fences []string

// keyFences is the property: a list in JSON.
const keyFences = "marginline.fences"

// sampled is how many data files the fences are found by.
const sampled = 12

// cell is where a vehicle belongs. Reports without a VIN are in the first.
func (f fences) cell(vin string) int {
	n, there := slices.BinarySearch(f, vin)
	if there {
		n++
	}
	return n
}

func (m *metadata) fences() (f fences, err error) {
	if text := m.Properties[keyFences]; text != "" {
		if err := json.Unmarshal([]byte(text), &f); err != nil {
			return nil, fmt.Errorf("property %s: %w", keyFences, err)
		}
	}
	return f, nil
}

func (m *metadata) fence(f fences) {
	if len(f) > 0 {
		text, _ := json.Marshal(f) // strings
		m.Properties[keyFences] = string(text)
	}
}

// refence adds fences where a year of a cell would be more than two full groups on average.
func (l *Lake) refence(ctx context.Context, s *set) error {
	groups := s.groups()
	years := map[int]int64{}
	most := 0
	for _, g := range groups {
		y := month(g.from) / 12
		if years[y] += g.rows; years[y] > years[most] {
			most = y
		}
	}
	cells := int64(len(l.fences) + 1)
	need := years[most] / l.full
	if need < 2*cells {
		return nil
	}
	each := 1 << bits.Len64(uint64((need-1)/cells)) // new cells for an old one
	var of []group
	for _, g := range groups {
		if month(g.from)/12 == most {
			of = append(of, g)
		}
	}
	vins, err := l.sample(ctx, s, of)
	if err != nil {
		return err
	}
	more := parted(l.fences, vins, each)
	l.writing.Lock()
	l.fences = more
	l.writing.Unlock()
	l.log.Info("vehicles parted for compaction", "cells", len(more)+1)
	return nil
}

// parted adds fences so that each cell becomes parts of about as many reports. vins is one VIN a report, sorted.
func parted(f fences, vins []string, parts int) fences {
	more := slices.Clone(f)
	for c := range len(f) + 1 {
		of := vins
		if c > 0 {
			from, _ := slices.BinarySearch(of, f[c-1])
			of = of[from:]
		}
		if c < len(f) {
			to, _ := slices.BinarySearch(of, f[c])
			of = of[:to]
		}
		for i := 1; i < parts && len(of) > 0; i++ {
			if at := of[i*len(of)/parts]; at > of[0] {
				more = append(more, at)
			}
		}
	}
	slices.Sort(more)
	return slices.Compact(more)
}

// sample gives the VINs of the reports of some groups, sorted.
func (l *Lake) sample(ctx context.Context, s *set, groups []group) (vins []string, err error) {
	files := byGroup(s.heads[reports].files)
	spec := &specs[reports]
	for i := range min(sampled, len(groups)) {
		f := files[groups[i*len(groups)/min(sampled, len(groups))].name]
		err := l.reportRows(ctx, spec, f, spec.named("vin"), func(w *row) error {
			vins = append(vins, w.p.VIN)
			return nil
		})
		if err != nil {
			return nil, err
		}
	}
	slices.Sort(vins)
	return vins, nil
}
