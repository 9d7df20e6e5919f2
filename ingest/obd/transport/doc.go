// Package transport makes complete diagnostic messages out of the frames of a bus.
//
// Place in the pipeline: a dongle that reassembles by itself publishes reports and needs none of this; a
// recording of raw frames is read by Log, joined by Assembler, grouped into reports by package ingest, and
// from there goes the way of all reports. Frames of the buses before CAN are checked by ReadOlder.
//
//	text -> Log -> Frame -> Assembler -> Message
//
// The package is pure: it reads nothing but the io.Reader of a Log, has no clock and no goroutine. Time is
// the recording's own. An Assembler is for one bus and one goroutine.
//
// Two transports share the wire and are told apart by the CAN id alone: ISO 15765-2 on the ids of
// ISO 15765-4, and SAE J1939-21 on all other 29-bit ids. Other 11-bit ids are the vehicle's own traffic.
//
// Nothing is guessed. A lost, repeated or reordered frame drops the whole message: what is left of it,
// spliced, has the length and the look of good records. The rejected way was to go on at the frame that
// came and to let the decoder judge. Frames of a dropped message are gathered until it ends and come out as
// one Message with Err set and all its frames, so that the quarantine can hold them; a single exception is
// a receiver that asks for packets again (clear to send, J1939-21), which puts the message right, or where
// the recorder had them all, changes nothing.
//
// One splice cannot be seen: the end of a message and the beginning of the next one of the same sender are
// lost within a second, the numbers fit by chance, and no flow control of the tester is in the recording.
//
// Memory is bounded whatever the input says: a message grows with the frames that came and never by the
// length it announces, no message beyond Limit is begun, and when more than Open are under way the one
// that has been silent longest is given up. Padding is never read, since lengths come from the protocol.
//
// Extended transport (more than 1785 bytes) and several groups in one CAN FD frame of newer J1939 parts
// are not read; their frames count as other traffic.
package transport
