package obd

import (
	"cmp"
	"slices"

	"marginline/ingest/series"
)

// maxMessage bounds one message; transports of ISO 15765-2 carry 4095 bytes, those of SAE J1939-21 1785.
const maxMessage = 1<<16 - 1

// Decode reads the messages of one report. It never fails as a whole: a message that does not fit is an
// item of KindError and all others decode. cat may be nil. The report keeps no reference to the messages.
func Decode(bus series.Bus, msgs []Message, cat *Catalogue) *Report {
	return new(Decoder).Decode(bus, msgs, cat)
}

// A Decoder reads report after report into the same memory. It is for one goroutine at a time; the zero
// value is ready.
type Decoder struct {
	Terse bool // items of conditions, readiness, counters and calibrations come without Values: whoever wants results only saves a third

	d decoder
}

// Decode reads the messages of one report, as the function Decode does. The report is valid until the next
// call, and neither its results nor its items are to be written: the next report uses them again, and leaves
// in place what is the same there.
func (x *Decoder) Decode(bus series.Bus, msgs []Message, cat *Catalogue) *Report {
	d := &x.d
	d.bus, d.cat, d.terse = bus, cat, x.Terse
	if d.rep == nil {
		rows := 0
		for i := range msgs {
			rows += rowsIn(bus, &msgs[i])
		}
		d.rep = &Report{results: make([]series.Result, 0, rows), Items: make([]Item, 0, rows)}
	}
	if d.mixed {
		clear(d.rep.Items)
	}
	d.remember()
	d.mixed, d.moved = false, false
	rep := d.rep // field by field: a new Report would be made beside it and copied
	rep.Bus, rep.VINs, rep.CalIDs, rep.CVNs, rep.Context = bus, nil, nil, nil, unknownContext
	rep.Items, rep.results = rep.Items[:0], rep.results[:0]
	d.blocks, d.nodes, d.older = d.blocks[:0], d.nodes[:0], d.older[:0]
	clear(d.parts) // parts and conditions point into messages
	d.parts, d.conditions = d.parts[:0], d.conditions[:0]
	for i := range msgs {
		d.message(i, &msgs[i])
	}
	d.finish()
	d.data = nil
	return d.rep
}

// unknownContext is copied, never written.
var unknownContext = series.NoContext()

// rowsIn estimates how many items a message gives, so that they fit one allocation.
func rowsIn(bus series.Bus, m *Message) int {
	switch {
	case len(m.Data) > maxMessage || len(m.Data) == 0:
		return 1
	case m.PGN != series.None || bus == series.J1939:
		return 1 + len(m.Data)/12
	case m.Data[0] == 0x46 && !bus.Older():
		return 1 + len(m.Data)/9
	case m.Data[0] == 0x62 || m.Data[0] == 0x59:
		return 1 + len(m.Data)/8
	}
	return 1
}

// A decoder holds the state of one call.
type decoder struct {
	bus        series.Bus
	cat        *Catalogue
	terse      bool
	rep        *Report
	blocks     []block // of all results, in their order
	nodes      []node
	older      []pending // results whose second limit may come in another message
	parts      []*part
	conditions []condition
	wide       []wideSender // kept from report to report

	memory memory
	// Items past the end are blank but for what every result sets; mixed says that the report at hand has
	// others, which are wiped before the next one. moved: the items do not show the results where they are.
	mixed, moved bool

	// The message at hand.
	index int
	ecu   string
	from  origin
	node  int
	data  []byte
}

// A wideSender is a 29-bit id and its name.
type wideSender struct {
	id   uint32
	name string
}

// A node is one responder and what it tells of itself.
type node struct {
	key    uint32 // order of addresses
	ecu    string
	calIDs []string
	cvns   []string
	done   readiness
	runs   []run
	told   bool // something that its results carry
}

// A condition waits until all messages are read: the lowest address wins.
type condition struct {
	key   uint32
	field func(*series.Context) *float64
	value float64
}

type run struct {
	counter string
	n       int32
}

func (d *decoder) message(i int, m *Message) {
	d.index, d.data, d.ecu = i, m.Data, ""
	items, results, blocks, older, parts := len(d.rep.Items), len(d.rep.results), len(d.blocks), len(d.older), len(d.parts)
	id, digits, err := sender(m.From)
	if err != nil {
		d.fail(series.None, &fault{0, err})
		return
	}
	idPGN := series.None
	if digits == wideID {
		idPGN = series.PGN(id)
	}
	d.ecu, d.from = d.nameOf(id, digits), origin(digits)<<32|origin(id)
	pgn := m.PGN
	if pgn == series.None && d.bus == series.J1939 {
		switch pgn = idPGN; pgn {
		case series.None:
			pgn = pgnDM30
		case pgnPhysical, pgnFunctional: // ISO 15765-4 on the same wire
			pgn = series.None
		}
	}
	d.node = d.responder(id, digits, pgn != series.None)
	var f *fault
	switch {
	case len(m.Data) == 0:
		f = at(0, ErrLength, "the message is empty")
	case len(m.Data) > maxMessage:
		f = at(maxMessage, ErrLength, "%d bytes are more than any transport carries", len(m.Data))
	case pgn != series.None:
		f = d.group(pgn)
	default:
		f = d.service()
	}
	if f == nil {
		return
	}
	clear(d.rep.Items[items:])
	d.rep.Items, d.rep.results = d.rep.Items[:items], d.rep.results[:results]
	d.blocks, d.older, d.parts = d.blocks[:blocks], d.older[:older], d.parts[:parts]
	d.fail(pgn, f)
}

// fail adds the item of a message that cannot be read.
func (d *decoder) fail(pgn int32, f *fault) {
	e := &FrameError{Service: -1, PGN: pgn, Offset: f.offset, Err: f.err}
	if len(d.data) > 0 {
		e.Service = int(d.data[0])
	}
	d.item(KindError, nil).Err = e
}

// service reads a message that begins with a service byte.
func (d *decoder) service() *fault {
	switch d.data[0] {
	case 0x41:
		return d.parameters()
	case 0x43:
		return d.codes(series.CodeConfirmed)
	case 0x47:
		return d.codes(series.CodePending)
	case 0x4A:
		return d.codes(series.CodePermanent)
	case 0x45:
		return d.oxygenSensor()
	case 0x46:
		if d.bus.Older() {
			return d.olderResult()
		}
		return d.monitorResults()
	case 0x49:
		return d.vehicleInfo()
	case 0x59:
		return d.codeInformation()
	case 0x62:
		return d.dataByIdentifier()
	case 0x7F:
		return d.negative()
	}
	return at(0, ErrService, "%02X", d.data[0])
}

// responder gives the index of the node of a sender, a new one when it has not been heard. On J1939 the
// last byte of a 29-bit id is the source address, so that all groups of one controller meet.
func (d *decoder) responder(id uint32, digits int, j1939 bool) int {
	key := id
	switch {
	case digits == 0:
		key = 1<<32 - 1
	case j1939:
		key &= 0xFF
	}
	for i := range d.nodes {
		if d.nodes[i].key == key {
			return i
		}
	}
	d.nodes = append(d.nodes, node{key: key, ecu: d.ecu, done: unready})
	return len(d.nodes) - 1
}

// nameOf is the name of a sender; those of 29 bits are made once.
func (d *decoder) nameOf(id uint32, digits int) string {
	if digits != wideID {
		return shortName(id, digits)
	}
	for i := range d.wide {
		if d.wide[i].id == id {
			return d.wide[i].name
		}
	}
	if len(d.wide) == 32 { // whoever sends at random shall not fill the memory
		d.wide = d.wide[:0]
	}
	d.wide = append(d.wide, wideSender{id, wideName(id)})
	return d.wide[len(d.wide)-1].name
}

// item adds an item of the message at hand.
func (d *decoder) item(k Kind, values Fields) *Item {
	d.mixed = true
	d.rep.Items = append(d.rep.Items, Item{Message: d.index, Kind: k, ECU: d.ecu, Values: values})
	return &d.rep.Items[len(d.rep.Items)-1]
}

// finish joins what came in several messages and gives results what others told of their responder.
func (d *decoder) finish() {
	d.finishParts()
	d.finishOlder()
	rep := d.rep
	slices.SortStableFunc(d.conditions, func(a, b condition) int { return cmp.Compare(a.key, b.key) })
	for _, c := range d.conditions {
		if p := c.field(&rep.Context); *p != *p {
			*p = c.value
		}
	}
	for i := range d.nodes {
		if n := &d.nodes[i]; len(n.calIDs) > 0 {
			if rep.CalIDs == nil {
				rep.CalIDs = map[string]string{}
			}
			rep.CalIDs[n.ecu] = join(n.calIDs)
		}
		if n := &d.nodes[i]; len(n.cvns) > 0 {
			if rep.CVNs == nil {
				rep.CVNs = map[string]string{}
			}
			rep.CVNs[n.ecu] = join(n.cvns)
		}
	}
	named := d.cat != nil && !d.cat.empty()
	for _, k := range d.blocks {
		n := &d.nodes[k.node]
		if !n.told && !d.moved && !named && rep.CalIDs == nil {
			continue
		}
		cal := rep.CalIDs[n.ecu]
		d.tell(k)
		for i := range k.n {
			r, it := &rep.results[k.first+i], &rep.Items[k.item+i]
			it.Result, r.CalID = r, cal
			if g := Group(r); g >= 0 {
				r.Done = n.done[g]
			}
			r.Runs = runsOf(n.runs, r)
			if named && d.apply(r, it, n) {
				d.memory.forgetRow(k.first + i)
			}
		}
	}
}
