package series

import "time"

// A Replay asks a history for the polls of some units, each unit's in the order of Poll.Before.
//
// A poll whose VIN or device is listed is looked at; Unit says whose it is. Polls without a good clock are
// left out, and so are those of units with a negative number.
type Replay struct {
	VINs, Devices []string
	Unit          func(vin, device string) int // called from many goroutines
	Until         time.Time                    // the last ReadAt wanted; zero for all

	// Each takes the polls. It is called from several goroutines, but for one unit from one at a time. The poll
	// is lent: it and its slices are overwritten when Each returns; strings stay. An error ends the replay.
	Each func(unit int, p *Poll) error

	// Progress, where it is set, is told now and then how many of the polls were handed over. It is called from
	// several goroutines.
	Progress func(done, total int64)
}
