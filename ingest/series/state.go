package series

import "fmt"

// State says what a test result is worth as a sample.
type State uint8

// The states of a test result. Only StateOK has a verdict and can have a margin.
const (
	StateOK       State = iota // value with at least one real limit
	StateNotRun                // the test has not completed since codes were cleared: not a pass
	StateNoLimit               // a value without any real limit
	StateConstant              // value, minimum and maximum are one number: a calibration constant
	StateInvalid               // an error or "not available" value, or limits that contradict each other
)

var stateNames = [...]string{"ok", "not_run", "no_limit", "constant", "invalid"}

// String is the name used in tables and on the command line.
func (s State) String() string {
	if int(s) < len(stateNames) {
		return stateNames[s]
	}
	return fmt.Sprintf("state(%d)", uint8(s))
}

// ParseState reads the name that String writes.
func ParseState(s string) (State, error) {
	for i, n := range stateNames {
		if n == s {
			return State(i), nil
		}
	}
	return StateInvalid, fmt.Errorf("unknown state %q", s)
}
