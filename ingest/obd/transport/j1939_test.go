package transport

import "testing"

// Frames of SAE J1939-21 (from memory): the connection of a DM30 answer to a service tool, a broadcast, and
// what can go wrong with either.
func TestJ1939(t *testing.T) {
	const (
		rts   = "1CECF900 10 0C 00 02 FF 00 A4 00"
		cts   = "1CEC00F9 11 02 01 FF FF 00 A4 00"
		dt1   = "1CEBF900 01 F7 AA 0C 10 44 00 A0"
		dt2   = "1CEBF900 02 47 60 5A FF FF FF FF"
		eom   = "1CEC00F9 13 0C 00 02 FF 00 A4 00"
		again = "1CEC00F9 11 01 02 FF FF 00 A4 00"
		dm30  = "00/41984 F7AA0C104400A047605AFFFF"

		bam  = "1CECFF03 20 0E 00 02 FF CA FE 00"
		bam1 = "1CEBFF03 01 40 FF AA 0C 10 01 AB"
		bam2 = "1CEBFF03 02 0C 12 02 FF FF FF FF"
		dm1  = "03/65226 40FFAA0C1001AB0C1202FFFFFFFF"
	)
	for _, c := range []scene{
		{"one frame", []string{"18FECA00 40 FF AA 0C 10 01 FF FF", "0CFECA0B 00 FF 00 00 00 00 FF FF"}, []string{"00/65226 40FFAA0C1001FFFF", "0B/65226 00FF00000000FFFF"}},
		{"a destination is no part of the group", []string{"18C200F9 0A 00 08 00 FF FF FF FF", "18EAFF00 EC FE 00"}, []string{"F9/49664 0A000800FFFFFFFF", "00/59904 ECFE00"}},
		{"request to send", []string{"18E300F9 F7 AA 0C 1F FF FF FF FF", rts, cts, dt1, dt2, eom}, []string{"F9/58112 F7AA0C1FFFFFFFFF", dm30}},
		{"only one side was recorded", []string{rts, dt1, dt2}, []string{dm30}},
		{"announcement to everybody", []string{bam, bam1, bam2}, []string{dm1}},
		{"two senders interleaved", []string{bam, rts, dt1, bam1, dt2, bam2}, []string{dm30, dm1}},
		{"one sender, a broadcast and a connection", []string{"1CECFF00 20 0E 00 02 FF CA FE 00", rts, "1CEBFF00 01 40 FF AA 0C 10 01 AB", dt1, dt2, "1CEBFF00 02 0C 12 02 FF FF FF FF"},
			[]string{dm30, "00" + dm1[2:]}},
		{"the receiver holds the connection", []string{rts, "1CEC00F9 11 00 FF FF FF 00 A4 00", "+1s", "1CEC00F9 11 00 FF FF FF 00 A4 00", "+1s", cts, dt1, dt2, eom}, []string{dm30}},
		{"the receiver asks again for what the recorder missed too", []string{rts, cts, dt1, again, dt2, eom}, []string{dm30}},
		{"the receiver asks again for what the recorder missed, out of order", []string{rts, cts, dt2, "1CEC00F9 11 02 01 FF FF 00 A4 00", dt1, dt2, eom}, []string{dm30}},
		{"the receiver asks again for what the recorder has", []string{rts, cts, dt1, dt2, again, dt2, eom, rts, dt1, dt2}, []string{dm30, dm30}},
		{"asked again, another content", []string{rts, cts, dt1, dt2, again, "1CEBF900 02 48 60 5A FF FF FF FF", "end"},
			[]string{dm30, "00 !00 to F9: the beginning of the message is missing (packet 2) [1 frames]"}},
		{"packets nobody asked for again", []string{rts, dt1, dt2, dt2, "end"}, []string{dm30, "00 !00 to F9: the beginning of the message is missing (packet 2) [1 frames]"}},

		{"a lost packet", []string{bam, bam2, "+1s"}, []string{"03/65226 !03 to FF: frames lost, repeated or out of order: expected 1, got 2 (packet) [2 frames]"}},
		{"a repeated packet", []string{bam, bam1, bam1, "end"}, []string{"03/65226 !03 to FF: frames lost, repeated or out of order: expected 2, got 1 (packet) [3 frames]"}},
		{"the receiver has it, the recorder has not", []string{rts, cts, dt1, eom}, []string{"00/41984 !00 to F9: frames lost, repeated or out of order (the receiver has all of it, 7 of 12 bytes came) [2 frames]"}},
		{"the receiver skips", []string{rts, again, "end"}, []string{"00/41984 !00 to F9: frames lost, repeated or out of order: expected 1, got 2 (packet that the receiver asks for) [1 frames]"}},
		{"no announcement", []string{bam1, bam2, "+1s"}, []string{"03 !03 to FF: the beginning of the message is missing (packet 1) [2 frames]"}},
		{"silence of a broadcast", []string{bam, "+800ms", bam1, "end"}, []string{
			"03/65226 !03 to FF: the rest did not come in time (750ms, 0 of 14 bytes came) [1 frames]",
			"03 !03 to FF: the beginning of the message is missing (packet 1) [1 frames]",
		}},
		{"a connection may be silent for longer", []string{rts, "+800ms", dt1, "+1200ms", dt2}, []string{dm30}},
		{"silence of a connection", []string{rts, dt1, "+1300ms"}, []string{"00/41984 !00 to F9: the rest did not come in time (1.25s, 7 of 12 bytes came) [2 frames]"}},
		{"abort by the receiver", []string{rts, dt1, "1CEC00F9 FF 01 FF FF FF 00 A4 00"}, []string{"00/41984 !00 to F9: given up by one of the two sides (by the receiver, reason 1, 7 of 12 bytes came) [2 frames]"}},
		{"abort by the sender", []string{rts, dt1, "1CECF900 FF 03 FF FF FF 00 A4 00"}, []string{"00/41984 !00 to F9: given up by one of the two sides (by the sender, reason 3, 7 of 12 bytes came) [2 frames]"}},
		{"abort of another group", []string{rts, dt1, "1CECF900 FF 03 FF FF FF CA FE 00", dt2}, []string{dm30}},
		{"another message before the end", []string{bam, bam1, bam, bam1, bam2}, []string{"03/65226 !03 to FF: another message began before this one was complete (7 of 14 bytes came) [2 frames]", dm1}},

		{"packets do not fit the size", []string{"1CECFF03 20 0E 00 03 FF CA FE 00", "end"}, []string{"03/65226 !03 to FF: length does not fit: expected 2, got 3 (packets of 14 bytes) [1 frames]"}},
		{"a size of one frame", []string{"1CECFF03 20 08 00 02 FF CA FE 00", "end"}, []string{"03/65226 !03 to FF: length does not fit: expected 2, got 2 (packets of 8 bytes) [1 frames]"}},
		{"a size beyond 255 packets", []string{"1CECFF03 20 FF FF FF FF CA FE 00", "end"}, []string{"03/65226 !03 to FF: length does not fit: expected 9363, got 255 (packets of 65535 bytes) [1 frames]"}},
		{"request to send to everybody", []string{"1CECFF03 10 0E 00 02 FF CA FE 00", "end"}, []string{"03/65226 !03 to FF: no frame of this transport (connection control 10 to FF) [1 frames]"}},
		{"an unknown control", []string{"1CECFF03 21 0E 00 02 FF CA FE 00"}, []string{"03 !03 to FF: no frame of this transport (connection control 21) [1 frames]"}},
		{"a short control", []string{"1CECFF03 20 0E 00"}, []string{"03 !03 to FF: length does not fit: expected 8, got 3 (connection management) [1 frames]"}},
		{"a short packet", []string{bam, "1CEBFF03 01 40 FF", "end"}, []string{"03/65226 !03 to FF: length does not fit: expected 7, got 2 (bytes of a packet) [2 frames]"}},
		{"an empty packet", []string{"1CEBFF03 "}, []string{"03 !03 to FF: length does not fit: expected 8, got 0 (packet) [1 frames]"}},
		{"packet 0", []string{bam, "1CEBFF03 00 40 FF AA 0C 10 01 AB", "end"}, []string{"03/65226 !03 to FF: frames lost, repeated or out of order: expected 1, got 0 (packet) [2 frames]"}},
		{"a last packet without padding", []string{bam, bam1, "1CEBFF03 02 0C 12 02 FF FF FF FF"}, []string{dm1}},
	} {
		c.run(t)
	}
}

// When more messages are under way than may be, the one that was silent longest is given up, and a message
// kept only for a receiver that may ask again goes first.
func TestAssembler_Crowded(t *testing.T) {
	a := Assembler{Open: 2}
	got := assemble(t, &a, "7E8 10 0A 46 21 89 20 01 40", "7E9 10 0A 46 3C 96 FE 00 14", "7EA 10 0A 46 3C 96 FE 00 14", "7E9 21 FF 9C 00 C8", "7EA 21 FF 9C 00 C8",
		"1CECF900 10 0C 00 02 FF 00 A4 00", "1CEBF900 01 F7 AA 0C 10 44 00 A0", "1CEBF900 02 47 60 5A FF FF FF FF", "7E8 10 0A 46 21 89 20 01 40", "7E9 10 0A 46 3C 96 FE 00 14", "7E8 21 00 80 FF FF", "7E9 21 FF 9C 00 C8")
	want := []string{"7E8 !7E8: given up: too many messages under way (6 of 10 bytes came) [1 frames]", "7E9 463C96FE0014FF9C00C8", "7EA 463C96FE0014FF9C00C8",
		"00/41984 F7AA0C104400A047605AFFFF", "7E8 4621892001400080FFFF", "7E9 463C96FE0014FF9C00C8"}
	if len(got) != len(want) {
		t.Fatalf("%q", got)
	}
	for i := range got {
		if got[i] != want[i] {
			t.Errorf("got %s\nwant %s", got[i], want[i])
		}
	}
}
