package transport

import (
	"errors"
	"fmt"

	"marginline/ingest/series"
)

// What can be wrong with a frame of an older bus. Match with errors.Is.
var (
	ErrHeader   = errors.New("no header of on-board diagnostics")
	ErrChecksum = errors.New("checksum does not fit")
)

// An OlderMessage is the content of one frame of a bus before CAN.
type OlderMessage struct {
	Role   Role
	Source byte   // of an answer: the ECU's address, from the header
	Data   []byte // service byte first; part of the frame it was read from
}

// From names the responder as a report does: its address in hex.
func (m *OlderMessage) From() string { return fmt.Sprintf("%02X", m.Source) }

// Bounds of a message before CAN (SAE J1979, from memory): three bytes of header, at most seven of data.
const (
	olderHead = 3
	olderData = 7
)

// ReadOlder checks header and checksum of one whole frame and takes its message out. bus is series.J1850,
// series.ISO9141 or series.ISO14230. The headers (SAE J1979, table of header bytes, from memory):
//
//	                request to all  answer      end
//	J1850 PWM       61 6A F1        41 6B ECU   CRC-8, then perhaps one byte of in-frame response
//	J1850 VPW       68 6A F1        48 6B ECU   CRC-8
//	ISO 9141-2      68 6A F1        48 6B ECU   sum of all bytes before, modulo 256
//	ISO 14230-4     C0+n 33 F1      80+n F1 ECU the same sum
//
// On ISO 14230-4 n is the number of data bytes; 0 says that it follows as a fourth byte. A request to one
// ECU is 80+n ECU F1 there.
func ReadOlder(bus series.Bus, frame []byte) (OlderMessage, error) {
	fail := func(kind error, format string, args ...any) (OlderMessage, error) {
		return OlderMessage{}, fmt.Errorf("%s: %w: "+format, append([]any{bus, kind}, args...)...)
	}
	if !bus.Older() {
		return fail(ErrHeader, "not a bus before CAN")
	}
	if len(frame) < olderHead+2 {
		return fail(ErrLength, "%d bytes: a header, one byte of data and a checksum are 5", len(frame))
	}
	role, head, n := Other, olderHead, len(frame)-olderHead-1
	if bus == series.ISO14230 {
		role = keywordRole(frame)
		if n = int(frame[0] & 0x3F); n == 0 {
			head, n = olderHead+1, int(frame[3])
		}
		if n == 0 || len(frame) != head+n+1 {
			return fail(ErrLength, "%d bytes after the header, the header says %d and a checksum", len(frame)-head, n)
		}
	} else {
		role = functionalRole(bus, frame)
		if bus == series.J1850 && respondedInFrame(frame) {
			n--
		}
		if n > olderData {
			return fail(ErrLength, "%d bytes of data, at most %d", n, olderData)
		}
	}
	if role == Other {
		return fail(ErrHeader, "% X", frame[:olderHead])
	}
	sum := checksum
	if bus == series.J1850 {
		sum = CRC8
	}
	if want, got := sum(frame[:head+n]), frame[head+n]; want != got {
		return fail(ErrChecksum, "expected %02X, got %02X", want, got)
	}
	return OlderMessage{Role: role, Source: frame[2], Data: frame[head : head+n : head+n]}, nil
}

func keywordRole(f []byte) Role {
	switch mode := f[0] >> 6; {
	case mode == 2 && f[1] == 0xF1:
		return Answer
	case mode == 3 && f[1] == 0x33 && f[2] == 0xF1, mode == 2 && f[2] == 0xF1:
		return Request
	}
	return Other
}

func functionalRole(bus series.Bus, f []byte) Role {
	pulseWidth := bus == series.J1850 && f[0]&0xDF == 0x41 // PWM; the other form is that of VPW and ISO 9141-2
	switch {
	case f[1] == 0x6B && (f[0] == 0x48 || pulseWidth && f[0] == 0x41):
		return Answer
	case f[1] == 0x6A && f[2] == 0xF1 && (f[0] == 0x68 || pulseWidth && f[0] == 0x61):
		return Request
	}
	return Other
}

// respondedInFrame says whether a J1850 frame carries one byte of in-frame response behind its CRC. Bit 3
// of the first byte clear allows it (SAE J1850, from memory); recordings hold it or leave it out, and the
// CRC tells which.
func respondedInFrame(f []byte) bool {
	n := len(f)
	return f[0]&0x08 == 0 && n > olderHead+2 && CRC8(f[:n-1]) != f[n-1] && CRC8(f[:n-2]) == f[n-2]
}

// CRC8 is the check byte of SAE J1850: polynomial 1D, start FF, inverted at the end. Of "123456789" it is 4B.
func CRC8(b []byte) byte {
	crc := byte(0xFF)
	for _, x := range b {
		crc ^= x
		for range 8 {
			if crc&0x80 != 0 {
				crc = crc<<1 ^ 0x1D
			} else {
				crc <<= 1
			}
		}
	}
	return ^crc
}

// checksum is that of ISO 9141-2 and ISO 14230: the sum modulo 256.
func checksum(b []byte) (sum byte) {
	for _, x := range b {
		sum += x
	}
	return sum
}
