package fleet

import (
	"cmp"
	"errors"
	"fmt"
	"slices"
	"strings"
)

// ErrDisagree is what Resolve returns where VIN and dongle belong to two units: the dongle was moved and
// the roster does not know it, or the report is not what it says.
var ErrDisagree = errors.New("VIN and device belong to different units")

// A Roster is the units of a fleet. It does not change; a nil Roster is an empty one.
type Roster struct {
	units               []*Unit // by name
	byName, byVIN, byID map[string]*Unit
}

// New builds a roster. A unit without a name or with neither VIN nor device, and a unit, VIN or device
// that comes twice, are errors.
func New(units []Unit) (*Roster, error) {
	r := empty()
	var errs []error
	for _, u := range units {
		if err := r.add(u); err != nil {
			errs = append(errs, err)
		}
	}
	r.sort()
	return r, errors.Join(errs...)
}

func empty() *Roster {
	return &Roster{byName: map[string]*Unit{}, byVIN: map[string]*Unit{}, byID: map[string]*Unit{}}
}

// add takes a unit in, or says why it can't be.
func (r *Roster) add(u Unit) error {
	u.VIN = PlainVIN(u.VIN)
	switch {
	case u.Unit == "":
		return errors.New("no unit")
	case u.VIN == "" && u.Device == "":
		return fmt.Errorf("unit %q: neither vin nor device", u.Unit)
	case r.byName[u.Unit] != nil:
		return fmt.Errorf("unit %q: comes twice", u.Unit)
	case u.VIN != "" && r.byVIN[u.VIN] != nil:
		return fmt.Errorf("unit %q: vin %q is unit %q's", u.Unit, u.VIN, r.byVIN[u.VIN].Unit)
	case u.Device != "" && r.byID[u.Device] != nil:
		return fmt.Errorf("unit %q: device %q is unit %q's", u.Unit, u.Device, r.byID[u.Device].Unit)
	}
	r.units = append(r.units, &u)
	r.byName[u.Unit] = &u
	if u.VIN != "" {
		r.byVIN[u.VIN] = &u
	}
	if u.Device != "" {
		r.byID[u.Device] = &u
	}
	return nil
}

func (r *Roster) sort() {
	slices.SortFunc(r.units, func(a, b *Unit) int { return cmp.Compare(a.Unit, b.Unit) })
}

// PlainVIN is a VIN in the form all comparisons use: upper case, no white space around it.
func PlainVIN(vin string) string { return strings.ToUpper(strings.TrimSpace(vin)) }

// Units are all units, ordered by name. They are the roster's own: do not change them.
func (r *Roster) Units() []*Unit {
	if r == nil {
		return nil
	}
	return r.units
}

// Len is the number of units.
func (r *Roster) Len() int { return len(r.Units()) }

// Unit finds a unit by name; nil where there is none.
func (r *Roster) Unit(name string) *Unit {
	if r == nil {
		return nil
	}
	return r.byName[name]
}

// Resolve says whose report this is. The VIN leads, because it travels with the vehicle:
//
//	VIN on the roster                      its unit; ErrDisagree if the device is another unit's
//	VIN given, not on the roster           the device's unit if that has no VIN listed, else nobody's
//	no VIN                                 the device's unit, else nobody's
//
// Nobody's is a nil unit and no error: such rows are kept, and find their unit when a roster lists it.
func (r *Roster) Resolve(vin, device string) (*Unit, error) {
	if r == nil {
		return nil, nil
	}
	vin = PlainVIN(vin)
	var byVIN, byDevice *Unit
	if vin != "" {
		byVIN = r.byVIN[vin]
	}
	if device != "" {
		byDevice = r.byID[device]
	}
	switch {
	case byVIN != nil && byDevice != nil && byVIN != byDevice:
		return nil, fmt.Errorf("%w: vin %s is unit %q, device %s is unit %q", ErrDisagree, vin, byVIN.Unit, device, byDevice.Unit)
	case byVIN != nil:
		return byVIN, nil
	case vin != "" && byDevice != nil && byDevice.VIN != "":
		return nil, nil
	default:
		return byDevice, nil
	}
}
