package lake

import (
	"errors"
	"fmt"
	"strconv"
	"strings"
	"syscall"
)

// ErrNoRoom is wrapped by Room when the disk has no more than its floor free.
var ErrNoRoom = errors.New("the disk is too full")

// A Floor is how much of the disk stays free: Bytes, or Percent of its size. The zero Floor is none.
type Floor struct {
	Bytes   uint64
	Percent float64
}

var sizeUnits = []struct {
	name  string
	bytes float64
}{{"KiB", 1 << 10}, {"MiB", 1 << 20}, {"GiB", 1 << 30}, {"TiB", 1 << 40}, {"kB", 1e3}, {"MB", 1e6}, {"GB", 1e9}, {"TB", 1e12}, {"B", 1}}

// ParseFloor reads a size such as 2GiB or 500MB, or a share of the disk such as 5%; 0 is none.
func ParseFloor(s string) (Floor, error) {
	bad := fmt.Errorf("%q: want a size such as 2GiB, a share of the disk such as 5%%, or 0", s)
	t := strings.TrimSpace(s)
	if t == "0" {
		return Floor{}, nil
	}
	if n, ok := strings.CutSuffix(t, "%"); ok {
		p, err := strconv.ParseFloat(n, 64)
		if err != nil || !(p >= 0 && p < 100) {
			return Floor{}, bad
		}
		return Floor{Percent: p}, nil
	}
	for _, u := range sizeUnits {
		if n, ok := strings.CutSuffix(t, u.name); ok {
			v, err := strconv.ParseFloat(strings.TrimSpace(n), 64)
			if err != nil || !(v >= 0 && v*u.bytes < 1<<62) {
				return Floor{}, bad
			}
			return Floor{Bytes: uint64(v * u.bytes)}, nil
		}
	}
	return Floor{}, bad
}

// A disk is the file system of a folder.
type disk struct{ free, size uint64 }

// diskOf asks for what an ordinary user may still write, not for what only root may.
func diskOf(dir string) (disk, error) {
	var s syscall.Statfs_t
	if err := syscall.Statfs(dir, &s); err != nil {
		return disk{}, fmt.Errorf("disk of %s: %w", dir, err)
	}
	return disk{free: s.Bavail * uint64(s.Bsize), size: s.Blocks * uint64(s.Bsize)}, nil
}

// SetFloor says how much of the disk Room and Compact leave free. Call it before anything runs.
func (l *Lake) SetFloor(f Floor) { l.floor = f }

// Room is nil while the disk of the lake has more free than the floor; its error wraps ErrNoRoom and says how
// much there is. Whoever wants to commit asks first: Commit itself does not, so that what a caller has begun it
// can end.
func (l *Lake) Room() error { return l.room(0) }

// room is Room for somebody who is about to write that many bytes.
func (l *Lake) room(bytes int64) error {
	d, err := l.disk(l.dir)
	if err != nil {
		return err
	}
	floor := max(l.floor.Bytes, uint64(l.floor.Percent/100*float64(d.size)))
	l.metrics.disk(d.free, floor)
	switch {
	case floor == 0 && d.free >= uint64(bytes):
		return nil
	case d.free <= floor:
		return fmt.Errorf("%w: %s free where %s is, the floor is %s", ErrNoRoom, bytesText(d.free), l.dir, bytesText(floor))
	case d.free-floor < uint64(bytes):
		return fmt.Errorf("%w: %s free where %s is, %s wanted, and the floor is %s", ErrNoRoom, bytesText(d.free), l.dir, bytesText(uint64(bytes)), bytesText(floor))
	}
	return nil
}

// bytesText is a size for people.
func bytesText(n uint64) string {
	for i := 3; i >= 0; i-- {
		if u := sizeUnits[i]; float64(n) >= u.bytes {
			return strconv.FormatFloat(float64(n)/u.bytes, 'f', 1, 64) + " " + u.name
		}
	}
	return strconv.FormatUint(n, 10) + " B"
}
