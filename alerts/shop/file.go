package shop

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"time"

	"go.yaml.in/yaml/v3"
)

// A File is the shop file: what each depot can take. It is YAML, so that a fleet can edit and version it.
type File struct {
	Depots []Depot `yaml:"depots" json:"depots"`
}

// A Depot is one shop. Hours are hours a weekday, by the names mon to sun; a day that is not named is closed.
type Depot struct {
	Name        string             `yaml:"name" json:"name"`
	TimeZone    string             `yaml:"time_zone" json:"time_zone"`
	Bays        []Bay              `yaml:"bays" json:"bays"`
	Open        map[string]float64 `yaml:"open" json:"open"` // hours that a bay is open
	Technicians []Technician       `yaml:"technicians" json:"technicians"`
	Closed      []string           `yaml:"closed" json:"closed"`             // days such as 2026-05-25
	Promised    map[string]float64 `yaml:"promised" json:"promised"`         // technician hours promised to other work, by day
	EarlyShare  float64            `yaml:"early_window" json:"early_window"` // part of its interval a PM service may come early; 0 = 0.10
	KeepFree    float64            `yaml:"keep_free" json:"keep_free"`       // share of hours for breakdowns; 0 = 0.15
	LeadDays    int                `yaml:"lead_days" json:"lead_days"`       // days of notice that a visit needs
	ServiceH    float64            `yaml:"service_hours" json:"service_hours"`
}

// A Bay is a place to work. Kinds are what it offers, such as lift, vapour_safe, outdoors.
type Bay struct {
	Name   string   `yaml:"name" json:"name"`
	Kinds  []string `yaml:"kinds" json:"kinds"`
	Closed []string `yaml:"closed" json:"closed"` // days
}

// A Technician does one job at a time.
type Technician struct {
	Name   string             `yaml:"name" json:"name"`
	Skills []string           `yaml:"skills" json:"skills"`
	Hours  map[string]float64 `yaml:"hours" json:"hours"` // a weekday; none = as the depot is open
	Away   []string           `yaml:"away" json:"away"`   // days
}

// What a shop file leaves out. Common practice, no source.
const (
	DefaultEarly    = 0.10
	defaultFree     = 0.15
	defaultServiceH = 2.0
	mostFree        = 0.5
)

var weekdays = []string{"sun", "mon", "tue", "wed", "thu", "fri", "sat"}

// ReadFile reads and checks a shop file. The error names every fault.
func ReadFile(in io.Reader) (*File, error) {
	text, err := io.ReadAll(in)
	if err != nil {
		return nil, fmt.Errorf("shop file: %w", err)
	}
	dec := yaml.NewDecoder(bytes.NewReader(text))
	dec.KnownFields(true)
	f := &File{}
	if err := dec.Decode(f); err != nil {
		return nil, fmt.Errorf("shop file: %w", err)
	}
	if err := f.check(); err != nil {
		return nil, fmt.Errorf("shop file: %w", err)
	}
	return f, nil
}

// Checked is a file that came in another form, checked and with what it left out filled in.
func (f File) Checked() (*File, error) {
	if err := f.check(); err != nil {
		return nil, fmt.Errorf("shop file: %w", err)
	}
	return &f, nil
}

// check finds every fault and fills in what was left out.
func (f *File) check() error {
	var errs []error
	if len(f.Depots) == 0 {
		errs = append(errs, errors.New("no depots"))
	}
	seen := map[string]bool{}
	for i := range f.Depots {
		d := &f.Depots[i]
		bad := func(format string, args ...any) {
			errs = append(errs, fmt.Errorf("depot %q: %s", d.Name, fmt.Sprintf(format, args...)))
		}
		if strings.TrimSpace(d.Name) == "" || seen[d.Name] {
			bad("a name of its own is needed")
		}
		seen[d.Name] = true
		if _, err := time.LoadLocation(d.TimeZone); err != nil || d.TimeZone == "Local" {
			bad("time_zone %q is not known", d.TimeZone)
		}
		if len(d.Bays) == 0 || len(d.Technicians) == 0 {
			bad("at least one bay and one technician are needed")
		}
		d.fill()
		if d.EarlyShare < 0 || d.EarlyShare > 0.5 || d.KeepFree < 0 || d.KeepFree > mostFree || d.LeadDays < 0 || d.ServiceH <= 0 {
			bad("early_window 0 to 0.5, keep_free 0 to %v, lead_days and service_hours not below 0", mostFree)
		}
		checkHours(d.Open, "open", bad)
		names := map[string]bool{}
		for _, b := range d.Bays {
			if b.Name == "" || names["bay "+b.Name] {
				bad("bay %q needs a name of its own", b.Name)
			}
			names["bay "+b.Name] = true
			checkDays(b.Closed, "closed of bay "+b.Name, bad)
		}
		for _, t := range d.Technicians {
			if t.Name == "" || names["tech "+t.Name] {
				bad("technician %q needs a name of their own", t.Name)
			}
			names["tech "+t.Name] = true
			checkHours(t.Hours, "hours of "+t.Name, bad)
			checkDays(t.Away, "away of "+t.Name, bad)
		}
		checkDays(d.Closed, "closed", bad)
		for day, h := range d.Promised {
			if _, err := ParseDay(day); err != nil || h < 0 {
				bad("promised %s: %v: a day and hours of at least 0", day, h)
			}
		}
	}
	return errors.Join(errs...)
}

func (d *Depot) fill() {
	if d.EarlyShare == 0 {
		d.EarlyShare = DefaultEarly
	}
	if d.KeepFree == 0 {
		d.KeepFree = defaultFree
	}
	if d.ServiceH == 0 {
		d.ServiceH = defaultServiceH
	}
}

func checkHours(h map[string]float64, what string, bad func(string, ...any)) {
	for day, v := range h {
		if !slices.Contains(weekdays, day) || !(v >= 0 && v <= 24) {
			bad("%s %s: %v: want hours from 0 to 24 by mon, tue, wed, thu, fri, sat, sun", what, day, v)
		}
	}
}

func checkDays(days []string, what string, bad func(string, ...any)) {
	for _, s := range days {
		if _, err := ParseDay(s); err != nil {
			bad("%s: %v", what, err)
		}
	}
}

// Depot finds a depot by name; nil where there is none.
func (f *File) Depot(name string) *Depot {
	if f == nil {
		return nil
	}
	for i := range f.Depots {
		if f.Depots[i].Name == name {
			return &f.Depots[i]
		}
	}
	return nil
}

// Zone is the depot's time zone.
func (d *Depot) Zone() *time.Location {
	if z, err := time.LoadLocation(d.TimeZone); err == nil {
		return z
	}
	return time.UTC
}

// OpenHours is how long a bay is open on a day; 0 when the depot is closed.
func (d *Depot) OpenHours(day Day) float64 {
	if slices.Contains(d.Closed, day.String()) {
		return 0
	}
	return d.Open[weekdays[day.Weekday()]]
}

// WorkHours is how long a technician works on a day, never longer than the depot is open.
func (d *Depot) WorkHours(t *Technician, day Day) float64 {
	open := d.OpenHours(day)
	if open == 0 || slices.Contains(t.Away, day.String()) {
		return 0
	}
	if t.Hours == nil {
		return open
	}
	return min(open, t.Hours[weekdays[day.Weekday()]])
}
