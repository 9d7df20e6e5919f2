package series

import "testing"

// Ids and groups of SAE J1939-21 (from memory).
func TestPGN(t *testing.T) {
	for id, want := range map[uint32]int32{0x18FECA00: 65226, 0x18E300F9: 58112, 0x18A4F900: 41984, 0x0CF00400: 61444, 0x19FECA00: 65226 + 1<<16, 0x18ECFF03: 60416} {
		if got := PGN(id); got != want {
			t.Errorf("%X: %d, want %d", id, got, want)
		}
	}
}
