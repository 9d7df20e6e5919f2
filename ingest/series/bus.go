package series

import "fmt"

// Bus is the diagnostic protocol family that a report was read over.
type Bus uint8

// The buses a report may name.
const (
	BusUnknown Bus = iota
	CAN            // ISO 15765-4
	J1850          // SAE J1850 PWM and VPW
	ISO9141        // ISO 9141-2
	ISO14230       // ISO 14230-4
	J1939          // SAE J1939
	UDS            // SAE J1979-2 on ISO 14229
)

var busNames = [...]string{"", "can", "j1850", "iso9141", "iso14230", "j1939", "uds"}

// String is the name a report uses.
func (b Bus) String() string {
	if int(b) < len(busNames) {
		return busNames[b]
	}
	return ""
}

// Older says whether the bus is one of those before CAN, on which a test result carries a single limit
// and no unit.
func (b Bus) Older() bool { return b == J1850 || b == ISO9141 || b == ISO14230 }

// ParseBus reads the name a report uses.
func ParseBus(s string) (Bus, error) {
	for i := 1; i < len(busNames); i++ {
		if busNames[i] == s {
			return Bus(i), nil
		}
	}
	return BusUnknown, fmt.Errorf("unknown bus %q: want can, j1850, iso9141, iso14230, j1939 or uds", s)
}

// PGN takes the parameter group number out of a 29-bit id: priority and source left out, and the second
// byte too where it is a destination (PDU format below 240; SAE J1939-21, from memory).
func PGN(id uint32) int32 {
	pgn := id >> 8 & 0x3FFFF
	if pgn>>8&0xFF < 240 {
		pgn &^= 0xFF
	}
	return int32(pgn)
}
