package main

import (
	"context"
	"iter"
	"maps"
	"slices"
	"sync/atomic"

	"marginline/alerts"
	"marginline/alerts/shop"
	"marginline/analyze"
	"marginline/dashboards/people"
	"marginline/ingest/fleet"
)

// A floor is what the shop floor told, beside the store that keeps it: the facts by unit and the shop file
// are read at every derivation, so they are held in memory.
type floor struct {
	*shop.Store
	app      *app
	facts    atomic.Pointer[map[string][]shop.Fact]
	file     atomic.Pointer[shop.File]
	happened atomic.Pointer[map[string][]analyze.Happening]
	used     usage
}

func openFloor(ctx context.Context, a *app) (*floor, error) {
	s, err := shop.OpenStore(ctx, a.db)
	if err != nil {
		return nil, err
	}
	f := &floor{Store: s, app: a}
	_, err = f.load(ctx)
	return f, err
}

// load reads what the shop floor told, and says of which units the detector has to know something else than before.
func (f *floor) load(ctx context.Context) (restarted []string, err error) {
	list, err := f.Facts(ctx, "")
	if err != nil {
		return nil, err
	}
	by := map[string][]shop.Fact{}
	for _, x := range list {
		by[x.Unit] = append(by[x.Unit], x)
	}
	file, _, _, err := f.File(ctx)
	if err != nil {
		return nil, err
	}
	orders, err := f.app.book.Orders(ctx)
	if err != nil {
		return nil, err
	}
	own := map[string][]alerts.WorkOrder{}
	for _, o := range orders {
		own[o.Unit] = append(own[o.Unit], o)
	}
	happened := map[string][]analyze.Happening{}
	for _, units := range []iter.Seq[string]{maps.Keys(by), maps.Keys(own)} {
		for unit := range units {
			if list := alerts.Told(by[unit], own[unit]); len(list) > 0 && unit != "" {
				happened[unit] = list
			}
		}
	}
	f.facts.Store(&by)
	f.file.Store(file)
	before := f.happened.Swap(&happened)
	if before == nil {
		return nil, nil
	}
	for _, units := range []iter.Seq[string]{maps.Keys(*before), maps.Keys(happened)} {
		for unit := range units {
			if !slices.Equal((*before)[unit], happened[unit]) {
				restarted = append(restarted, unit)
			}
		}
	}
	slices.Sort(restarted)
	return slices.Compact(restarted), nil
}

// happenings is what the detector has to know of a unit's past. It must not be changed.
func (f *floor) happenings(unit string) []analyze.Happening { return (*f.happened.Load())[unit] }

// of is the facts of a unit, the newest first.
func (f *floor) of(unit string) []shop.Fact { return (*f.facts.Load())[unit] }

// unit is a unit of the roster with what the shop floor knows of it; nil where the roster has none.
func (f *floor) unit(name string) *fleet.Unit {
	u := f.app.roster.Load().Unit(name)
	if u == nil {
		return nil
	}
	v := alerts.Serviced(*u, f.of(name))
	return &v
}

// Take keeps facts and derives the alerts of their units again.
func (f *floor) Take(ctx context.Context, facts []shop.Fact, by string) (added int, err error) {
	added, err = f.Add(ctx, facts, people.Who(ctx, by), f.app.now())
	if err != nil || added == 0 {
		return added, err
	}
	var units []string
	for _, x := range facts {
		units = append(units, x.Unit)
	}
	return added, f.changed(ctx, units)
}

// Retract takes a fact back.
func (f *floor) Retract(ctx context.Context, id, who, why string) error {
	unit := ""
	for name, list := range *f.facts.Load() {
		if slices.ContainsFunc(list, func(x shop.Fact) bool { return x.ID == id }) {
			unit = name
		}
	}
	if err := f.TakeBack(ctx, id, who, why, f.app.now()); err != nil {
		return err
	}
	return f.changed(ctx, []string{unit})
}

// Install puts a shop file in force.
func (f *floor) Install(ctx context.Context, text, by string) (*shop.File, error) {
	file, err := f.SaveFile(ctx, text, by, f.app.now())
	if err != nil {
		return nil, err
	}
	f.file.Store(file)
	return file, nil
}

func (f *floor) changed(ctx context.Context, units []string) error {
	restarted, err := f.load(ctx)
	if err != nil {
		return err
	}
	f.app.watch.runner.Refold(restarted...)
	return f.app.watch.again(ctx, append(units, restarted...))
}

func (f *floor) known(unit string) bool { return f.app.roster.Load().Unit(unit) != nil }
