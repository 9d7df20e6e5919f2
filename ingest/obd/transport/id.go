package transport

// A Role is what a CAN id says of its sender.
type Role uint8

// The roles.
const (
	Other   Role = iota // the vehicle's own traffic
	Answer              // an ECU answers the tester
	Request             // the tester asks, or controls the flow of an answer
	Group               // SAE J1939: the id carries a parameter group number
)

// RoleOf tells the ids of ISO 15765-4 (from memory) and those of SAE J1939 apart:
//
//	11 bit   7DF request to all   7E0 to 7E7 request to one   7E8 to 7EF answer (request + 8)
//	29 bit   18DB33F1 to all      18DAxxF1 to one             18DAF1xx answer of ECU xx
//
// All other 29-bit ids are taken for J1939, except those of the two ISO 15765 groups DA00 and DB00 with
// other addresses, which are other traffic.
func RoleOf(id uint32, extended bool) Role {
	if !extended {
		switch {
		case id == 0x7DF, id >= 0x7E0 && id <= 0x7E7:
			return Request
		case id >= 0x7E8 && id <= 0x7EF:
			return Answer
		}
		return Other
	}
	switch {
	case id&^0xFF == 0x18DAF100:
		return Answer
	case id == 0x18DB33F1, id&^0xFF00 == 0x18DA00F1:
		return Request
	case id>>16&0x3FF == 0xDA, id>>16&0x3FF == 0xDB:
		return Other
	}
	return Group
}

// answerTo gives the id that answers to a request to one ECU.
func answerTo(id uint32, extended bool) uint32 {
	if extended {
		return 0x18DAF100 | id>>8&0xFF
	}
	return id + 8
}
