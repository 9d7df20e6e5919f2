package ingest

import (
	"bytes"
	"crypto/sha256"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"time"
	"unicode/utf8"

	"marginline/ingest/obd"
	"marginline/ingest/obd/transport"
	"marginline/ingest/report"
	"marginline/ingest/series"
)

// When a report of a CAN recording is complete. A poll of a vehicle takes seconds, and polls are minutes
// apart; on a bus where messages are broadcast all the time there is no pause, so there a report also ends
// by its age, at a time when nothing was asked.
const (
	burstPause   = 30 * time.Second
	burstAge     = 5 * time.Minute
	burstOldest  = 15 * time.Minute
	burstBytes   = report.MaxBytes / 2
	logBuses     = 64 // interfaces of one recording at a time
	logComplains = 10 // bad lines kept in words
)

// A CANLog reads a recording of CAN frames (see transport.Log) as a file of reports: one JSON object a
// line, a report for each burst of messages on each interface. Being a reader of lines, it takes the same
// way as recorded reports do.
//
// Nothing that was meant for diagnostics is lost. A message that could not be reassembled stands in its
// report as broken, with the reason and all its frames, so that it ends in the quarantine; so does a line that is
// no frame, behind its number. (Where no frame at all came before it gives a time, it is passed on as it is.) Left out and counted are the
// vehicle's own traffic, what the tester sends, and broadcasts that say the same again within one report.
//
// Ids of reports are made of device and content, so reading a recording again gives the same reports.
type CANLog struct {
	Counts CANCounts

	device, vin string
	log         *transport.Log
	frame       transport.Frame
	buses       []*canBus
	groups      map[int32]bool // whether the decoder reads a parameter group
	recent      *canBus        // of the newest frame
	newest      time.Time      // of the newest frame
	out         bytes.Buffer
	end         error
}

// CANCounts is what a recording held. Messages and Broken are in the reports.
type CANCounts struct {
	Lines, Frames            int
	Reports, Messages        int
	Broken                   int // messages that could not be reassembled
	Bad                      int // lines that are no frame
	Requests, Other, Repeats int // left out: of the tester, other traffic, broadcasts that say nothing new
	Skipped                  int // remote and error frames
	Complaints               []string
}

// A canBus is one interface and its open report.
type canBus struct {
	name      string
	assembler transport.Assembler
	open      bool
	first     time.Time // of the report
	last      time.Time // newest message
	asked     time.Time // newest message that was not broadcast
	messages  []canMessage
	held      map[string]bool // broadcasts in the report
	bytes     int
	uds, can  bool
}

type canMessage struct {
	From string `json:"from"`
	PGN  *int32 `json:"pgn,omitempty"`
	Data string `json:"data"`

	Broken string `json:"broken,omitempty"`

	line bool // a line that is no frame
}

// NewCANLog starts to read the recording of one dongle. vin may be empty.
func NewCANLog(in io.Reader, device, vin string) *CANLog {
	return &CANLog{device: device, vin: vin, log: transport.NewLog(in), groups: map[int32]bool{}}
}

// Read gives the reports as lines.
func (c *CANLog) Read(p []byte) (int, error) {
	for c.out.Len() == 0 {
		if c.end != nil {
			return 0, c.end
		}
		c.step()
	}
	return c.out.Read(p)
}

// step takes one line of the recording.
func (c *CANLog) step() {
	err := c.log.Next(&c.frame)
	c.Counts.Lines, c.Counts.Bad, c.Counts.Skipped = c.log.Lines, c.log.Bad, c.log.Remote+c.log.Errors
	if bad, ok := errors.AsType[*transport.LineError](err); ok {
		c.complain(bad)
		return
	}
	if err != nil {
		for _, b := range c.buses {
			b.assembler.End()
			c.close(b)
		}
		c.end = err
		return
	}
	c.Counts.Frames++
	for _, b := range c.buses {
		b.assembler.Expire(c.frame.Time)
		c.settle(b, c.frame.Time)
	}
	b := c.bus(c.frame.Interface)
	c.recent, c.newest = b, c.frame.Time
	before := b.assembler.Counts
	b.assembler.Frame(&c.frame)
	c.Counts.Requests += b.assembler.Counts.Requests - before.Requests
	c.Counts.Other += b.assembler.Counts.Other - before.Other
}

// complain passes on a line that is no frame.
func (c *CANLog) complain(bad *transport.LineError) {
	if len(c.Counts.Complaints) < logComplains {
		c.Counts.Complaints = append(c.Counts.Complaints, bad.Error())
	}
	text := string(bad.Text)
	if !utf8.ValidString(text) {
		text = fmt.Sprintf("%X", bad.Text)
	}
	if bad.Cut > 0 {
		text += fmt.Sprintf(" ... %d bytes more", bad.Cut)
	}
	if c.recent == nil {
		fmt.Fprintf(&c.out, "log line %d: %s\n", bad.Line, strings.ReplaceAll(text, "\n", ""))
		return
	}
	b := c.recent
	if !b.open {
		b.open, b.first, b.last, b.asked = true, c.newest, c.newest, c.newest
	}
	c.put(b, canMessage{Data: text, Broken: bad.Error(), line: true})
}

// put adds a message to the report of an interface, which is closed when it is full.
func (c *CANLog) put(b *canBus, m canMessage) {
	b.messages = append(b.messages, m)
	size := len(m.Data)
	if m.line {
		size *= 6 // \u00XX
	}
	b.bytes += size + len(m.Broken) + 64
	if len(b.messages) == report.MaxMessages || b.bytes >= burstBytes {
		c.close(b)
	}
}

// bus gives the state of an interface. Of very many, the one that has been quiet longest is closed.
func (c *CANLog) bus(name string) *canBus {
	for _, b := range c.buses {
		if b.name == name {
			return b
		}
	}
	if len(c.buses) == logBuses {
		i := 0
		for j, b := range c.buses {
			if b.last.Before(c.buses[i].last) {
				i = j
			}
		}
		c.buses[i].assembler.End()
		c.close(c.buses[i])
		c.buses = slices.Delete(c.buses, i, i+1)
	}
	b := &canBus{name: name, held: map[string]bool{}}
	b.assembler.Handle = func(m *transport.Message) { c.take(b, m) }
	c.buses = append(c.buses, b)
	return b
}

// take puts a message into the report of its interface.
func (c *CANLog) take(b *canBus, m *transport.Message) {
	broadcast := m.J1939 && m.Destination == 0xFF
	if m.J1939 && m.PGN >= 0 && !c.reads(m.PGN) {
		c.Counts.Other++
		return
	}
	out := canMessage{From: m.From()}
	if m.Err != nil {
		out.Broken, out.Data = m.Err.Error(), framesText(m)
	} else {
		out.Data = fmt.Sprintf("%X", m.Data)
	}
	if m.J1939 && m.PGN >= 0 {
		pgn := m.PGN
		out.PGN = &pgn
	}
	c.settle(b, m.Time)
	if broadcast && m.Err == nil {
		key := fmt.Sprint(out.From, " ", m.PGN, " ", out.Data)
		if b.open && b.held[key] {
			c.Counts.Repeats++
			b.last = m.Time
			return
		}
		b.held[key] = true
	}
	if !b.open {
		b.open, b.first, b.asked = true, m.Time, m.Time
	}
	b.last = m.Time
	if !broadcast {
		b.asked = m.Time
	}
	if m.Err != nil {
		c.Counts.Broken++
	} else {
		c.Counts.Messages++
		if !m.J1939 {
			b.uds = b.uds || m.Data[0] == 0x59 || m.Data[0] == 0x62
			b.can = b.can || m.Data[0] >= 0x41 && m.Data[0] <= 0x4A
		}
	}
	b.can = b.can || !m.J1939 && m.Err != nil
	c.put(b, out)
}

// framesText is what stands for a message that could not be reassembled: its frames, a blank between them.
func framesText(m *transport.Message) string {
	var s strings.Builder
	for f := range m.Frames() {
		if s.Len() > 0 {
			s.WriteByte(' ')
		}
		fmt.Fprintf(&s, "%X", f)
	}
	return s.String()
}

// reads asks the decoder whether it knows a parameter group.
func (c *CANLog) reads(pgn int32) bool {
	known, asked := c.groups[pgn]
	if !asked {
		known = true
		for _, it := range obd.Decode(series.J1939, []obd.Message{{PGN: pgn, Data: bytes.Repeat([]byte{0xFF}, 8)}}, nil).Errors() {
			known = known && !errors.Is(it.Err, obd.ErrService)
		}
		c.groups[pgn] = known
	}
	return known
}

// settle closes the report of an interface when it is complete at the given time. A clock that is set back
// ends a report like a pause.
func (c *CANLog) settle(b *canBus, now time.Time) {
	if !b.open {
		return
	}
	pause, age, asked := now.Sub(b.last), now.Sub(b.first), now.Sub(b.asked)
	if pause > burstPause || pause < -burstPause || age > burstOldest || age > burstAge && asked > burstPause {
		c.close(b)
	}
}

// close writes the report of an interface.
func (c *CANLog) close(b *canBus) {
	if !b.open {
		return
	}
	out := struct {
		ID       string       `json:"id"`
		Device   string       `json:"device"`
		VIN      string       `json:"vin,omitempty"`
		Time     string       `json:"time"`
		Bus      string       `json:"bus"`
		Messages []canMessage `json:"messages"`
	}{Device: c.device, VIN: c.vin, Time: b.first.UTC().Format(time.RFC3339Nano), Bus: b.kind().String(), Messages: b.messages}
	content, _ := json.Marshal(out) // strings and numbers only
	out.ID = fmt.Sprintf("%x", sha256.Sum256(append(content, b.name...)))[:32]
	line, _ := json.Marshal(out)
	c.out.Write(line)
	c.out.WriteByte('\n')
	c.Counts.Reports++
	clear(b.held)
	b.open, b.messages, b.bytes, b.uds, b.can = false, b.messages[:0], 0, false, false
}

// kind is the bus of a report: J1939 where every message carries a parameter group, UDS where answers by
// data identifier came and none of the services before, else CAN.
func (b *canBus) kind() series.Bus {
	groups, others := 0, 0
	for i := range b.messages {
		switch m := &b.messages[i]; {
		case m.line:
		case m.PGN != nil || len(m.From) == 2:
			groups++
		default:
			others++
		}
	}
	switch {
	case groups > 0 && others == 0:
		return series.J1939
	case b.uds && !b.can:
		return series.UDS
	}
	return series.CAN
}
