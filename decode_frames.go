package main

import (
	"bytes"
	"cmp"
	"fmt"
	"io"
	"slices"
	"strings"

	"marginline/ingest/obd"
	"marginline/ingest/obd/transport"
	"marginline/ingest/series"
)

// frames is what raw frames of the command line come to: messages, and what could not be made one.
type frames struct {
	messages []obd.Message
	place    []int      // of each message among all that came of the frames
	broken   []obd.Item // the others, in their places
	leftOut  []string   // what is no answer of a vehicle
}

// readFrames reassembles frames: before CAN each argument is a whole frame with header and checksum, on
// CAN one of ID#DATA as recordings write it.
func readFrames(bus series.Bus, args []string) (*frames, error) {
	f := &frames{}
	if bus.Older() {
		return f, f.older(bus, args)
	}
	a := transport.Assembler{Handle: func(m *transport.Message) {
		if m.Err != nil {
			f.fail(m.Err)
			return
		}
		f.add(obd.Message{From: m.From(), PGN: m.PGN, Data: bytes.Clone(m.Data)})
	}}
	for i, arg := range args {
		log := transport.NewLog(strings.NewReader("(0.0) frames " + strings.Join(strings.Fields(arg), "")))
		var fr transport.Frame
		err := log.Next(&fr)
		if err != nil || log.Lines != 1 {
			if bad, ok := err.(*transport.LineError); ok {
				err = bad.Err
			} else if err == io.EOF || err == nil {
				err = fmt.Errorf("want one data frame, such as 7E8#03410D20")
			}
			return nil, fmt.Errorf("frame %d: %w", i+1, err)
		}
		before := a.Counts
		a.Frame(&fr)
		if a.Counts.Requests+a.Counts.Controls+a.Counts.Other > before.Requests+before.Controls+before.Other {
			f.leftOut = append(f.leftOut, arg)
		}
	}
	a.End()
	return f, nil
}

func (f *frames) older(bus series.Bus, args []string) error {
	for i, arg := range args {
		b, err := obd.ParseHex(arg)
		if err != nil {
			return fmt.Errorf("frame %d: %w", i+1, err)
		}
		m, err := transport.ReadOlder(bus, b)
		switch {
		case err != nil:
			f.fail(err)
		case m.Role == transport.Request:
			f.leftOut = append(f.leftOut, arg)
		default:
			f.add(obd.Message{From: m.From(), PGN: series.None, Data: m.Data})
		}
	}
	return nil
}

func (f *frames) add(m obd.Message) {
	f.place = append(f.place, len(f.messages)+len(f.broken))
	f.messages = append(f.messages, m)
}

func (f *frames) fail(err error) {
	f.broken = append(f.broken, obd.Item{Message: len(f.messages) + len(f.broken), Kind: obd.KindError, Err: err})
}

// join puts what could not be made a message into the report of those that could.
func (f *frames) join(rep *obd.Report) {
	for i := range rep.Items {
		rep.Items[i].Message = f.place[rep.Items[i].Message]
	}
	rep.Items = append(rep.Items, f.broken...)
	slices.SortStableFunc(rep.Items, func(a, b obd.Item) int { return cmp.Compare(a.Message, b.Message) })
}
