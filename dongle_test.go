package main

import (
	"bufio"
	"bytes"
	"context"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"io"
	"log/slog"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"marginline/ingest"
	"marginline/ingest/broker"
	"marginline/ingest/obd"
	"marginline/ingest/obd/transport"
	"marginline/ingest/report"
	"marginline/ingest/series"
)

// An example is one fenced block of the guide: what stands behind the fence, and the text.
type example struct {
	line int
	kind string   // first word
	args []string // the others
	text string
}

// guide reads the guide for dongles and its examples.
func guide(t *testing.T) (text string, all []example) {
	t.Helper()
	b, err := os.ReadFile("deploy/dongle.md")
	if err != nil {
		t.Fatal(err)
	}
	text = string(b)
	var at *example
	for i, line := range strings.Split(text, "\n") {
		info, fence := strings.CutPrefix(line, "```")
		switch {
		case fence && at == nil:
			words := strings.Fields(info)
			if len(words) == 0 {
				t.Fatalf("line %d: an example of no kind", i+1)
			}
			at = &example{line: i + 1, kind: words[0], args: words[1:]}
		case fence:
			all, at = append(all, *at), nil
		case at != nil:
			at.text += line + "\n"
		}
	}
	if at != nil {
		t.Fatalf("line %d: an example without an end", at.line)
	}
	return text, all
}

func examplesOf(t *testing.T, kind string, args ...string) []example {
	t.Helper()
	_, all := guide(t)
	var list []example
	for _, e := range all {
		if e.kind == kind && (len(args) == 0 && len(e.args) == 0 || len(args) > 0 && len(e.args) >= len(args) && slices.Equal(e.args[:len(args)], args)) {
			list = append(list, e)
		}
	}
	if len(list) == 0 {
		t.Fatalf("the guide has no example %s %s", kind, strings.Join(args, " "))
	}
	return list
}

// Every kind of example is there, and none that no test runs.
func TestDongleGuide_Kinds(t *testing.T) {
	_, all := guide(t)
	found := map[string]int{}
	for _, e := range all {
		found[strings.Join(append([]string{e.kind}, e.args...), " ")]++
	}
	want := []string{"exchange can", "exchange can 29-bit", "exchange can refusals", "exchange iso9141", "exchange iso14230", "exchange j1850", "exchange uds", "exchange j1939",
		"json report can", "json report iso9141", "json report uds", "json report j1939", "hex protobuf can", "nats", "nats answer", "mqtt", "mqtt receipt", "sh", "output"}
	for _, k := range want {
		if found[k] == 0 {
			t.Errorf("the guide has no example of kind %q", k)
		}
		delete(found, k)
	}
	if len(found) > 0 {
		t.Errorf("examples that no test runs: %v", found)
	}
}

// guideReports are the reports of the guide in JSON, by bus.
func guideReports(t *testing.T) map[string]string {
	t.Helper()
	all := map[string]string{}
	for _, e := range examplesOf(t, "json", "report") {
		if len(e.args) != 2 || all[e.args[1]] != "" {
			t.Fatalf("line %d: which report is it?", e.line)
		}
		all[e.args[1]] = e.text
	}
	return all
}

// The reports of the guide lack nothing; what is found in them is what their vehicles do not have.
func TestDongleGuide_Reports(t *testing.T) {
	inherent := map[string][]string{ // topic and words; everything else is a fault of the guide
		"can":     {"test: the vehicle sends no real limit", "test: the vehicle sends no real limit"},
		"iso9141": {"freshness: no in-use counters", "test: followed in raw counts"},
	}
	for bus, text := range guideReports(t) {
		v := ingest.Examine([]byte(text), nil, time.Date(2026, 3, 2, 7, 0, 0, 0, time.UTC))
		if v.Refused != "" || v.Rejected != 0 || v.Bus != bus || v.Followed == 0 || v.Form != "json" {
			t.Errorf("%s: %+v", bus, v)
		}
		for i, f := range v.Findings {
			topic, words := "", ""
			if i < len(inherent[bus]) {
				topic, words, _ = strings.Cut(inherent[bus][i], ": ")
			}
			if string(f.Topic) != topic || !strings.Contains(f.Says, words) {
				t.Errorf("%s: %+v", bus, f)
			}
		}
		if len(v.Findings) < len(inherent[bus]) {
			t.Errorf("%s: only %+v", bus, v.Findings)
		}
		r, err := report.Parse([]byte(text))
		if err != nil {
			t.Fatal(err)
		}
		if bad := obd.Decode(r.Bus, messagesOf(r), nil).Errors(); len(bad) > 0 {
			t.Errorf("%s: %v", bus, bad[0].Err)
		}
	}
}

func messagesOf(r *report.Report) []obd.Message {
	list := make([]obd.Message, len(r.Messages))
	for i, m := range r.Messages {
		list[i] = obd.Message{From: m.From, PGN: m.PGN, Data: m.Data}
	}
	return list
}

func guideProto(t *testing.T) []byte {
	t.Helper()
	b, err := hex.DecodeString(strings.Join(strings.Fields(examplesOf(t, "hex", "protobuf", "can")[0].text), ""))
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// The protobuf form says the same as the JSON form, and is what our own encoder writes.
func TestDongleGuide_Protobuf(t *testing.T) {
	wire := guideProto(t)
	got, err := report.Parse(wire)
	if err != nil {
		t.Fatal(err)
	}
	want, err := report.Parse([]byte(guideReports(t)["can"]))
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(want, got, cmpopts.EquateNaNs()); diff != "" {
		t.Error(diff)
	}
	if got.Digest() != want.Digest() {
		t.Error("the digest differs")
	}
	ours, err := want.EncodeProto()
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(ours, wire) {
		t.Errorf("our encoder writes\n%x", ours)
	}
}

// readOnly are the services that a dongle may send, and for UDS the report types of service 19.
var readOnly = []byte{0x01, 0x03, 0x06, 0x07, 0x09, 0x0A, 0x19, 0x22}

// asks says what a request of on-board diagnostics asks, as the guide words it.
func asks(t *testing.T, line int, data []byte) string {
	t.Helper()
	if len(data) == 0 || !slices.Contains(readOnly, data[0]) {
		t.Errorf("line %d: % X is no read request", line, data)
	}
	return fmt.Sprintf("service %02X: % X", data[0], data[1:])
}

// controls says what a frame of the dongle on CAN means: ISO 15765-2, SAE J1939-21 and -73, from memory.
func controls(t *testing.T, line int, f *transport.Frame) string {
	t.Helper()
	d := f.Data
	switch transport.RoleOf(f.ID, f.Extended) {
	case transport.Request:
		if fc, ok := transport.ParseFlowControl(d); ok {
			if fc.Status != 0 || fc.BlockSize != 0 {
				t.Errorf("line %d: %+v", line, fc)
			}
			return fmt.Sprintf("flow control: go on, all of it, %d ms apart", fc.SeparationTime.Milliseconds())
		}
		if len(d) != 8 || d[0] == 0 || d[0] > 7 {
			t.Fatalf("line %d: no single frame of eight bytes", line)
		}
		return asks(t, line, d[1:1+d[0]])
	case transport.Group:
		group := func(b []byte) int { return int(b[0]) | int(b[1])<<8 | int(b[2])<<16 }
		switch pgn := transport.PGN(f.ID); {
		case pgn == 59904 && len(d) == 3:
			return fmt.Sprintf("request of PGN %d", group(d))
		case pgn == 58112 && len(d) == 8:
			if d[0] != 247 || d[3]&0x1F != 31 {
				t.Errorf("line %d: a DM7 that may start something", line)
			}
			return fmt.Sprintf("DM7: test %d of SPN %d, FMI %d", d[0], int(d[1])|int(d[2])<<8|int(d[3]>>5)<<16, d[3]&0x1F)
		case pgn == 60416 && len(d) == 8 && d[0] == 17:
			return fmt.Sprintf("clear to send %d packets from %d of PGN %d", d[1], d[2], group(d[5:]))
		case pgn == 60416 && len(d) == 8 && d[0] == 19:
			return fmt.Sprintf("all %d bytes of PGN %d came", int(d[1])|int(d[2])<<8, group(d[5:]))
		}
	}
	t.Errorf("line %d: nothing that a dongle sends", line)
	return ""
}

// Every frame of the guide is what its words say: requests read and do nothing else, answers go through the
// reassembly and the decoder, check bytes fit, and the messages are those of the report of the same bus.
func TestDongleGuide_Exchanges(t *testing.T) {
	reports := guideReports(t)
	for _, e := range examplesOf(t, "exchange", "can") {
		runExchange(t, e, reports["can"])
	}
	for _, bus := range []string{"iso9141", "iso14230", "j1850", "uds", "j1939"} {
		for _, e := range examplesOf(t, "exchange", bus) {
			runExchange(t, e, reports[bus])
		}
	}
}

func runExchange(t *testing.T, e example, inReport string) {
	t.Helper()
	bus, err := series.ParseBus(e.args[0])
	if err != nil {
		t.Fatal(err)
	}
	var done []obd.Message
	now := time.Unix(1772432049, 0)
	line := 0
	a := transport.Assembler{Handle: func(m *transport.Message) {
		if m.Err != nil {
			t.Errorf("line %d: %v", line, m.Err)
		}
		if m.J1939 && (m.PGN == 59904 || m.PGN == 58112) { // the dongle's own
			return
		}
		done = append(done, obd.Message{From: m.From(), PGN: m.PGN, Data: bytes.Clone(m.Data)})
	}}
	told := 0
	for i, text := range strings.Split(strings.TrimSuffix(e.text, "\n"), "\n") {
		line = e.line + i + 1
		frame, words, _ := strings.Cut(text, "#")
		fields, words := strings.Fields(frame), strings.TrimSpace(words)
		if len(fields) < 3 || fields[0] != ">" && fields[0] != "<" {
			t.Fatalf("line %d: %q is no frame", line, text)
		}
		ours := fields[0] == ">"
		now = now.Add(10 * time.Millisecond)
		if bus.Older() {
			raw, err := hex.DecodeString(strings.Join(fields[1:], ""))
			if err != nil {
				t.Fatalf("line %d: %v", line, err)
			}
			m, err := transport.ReadOlder(bus, raw)
			if err != nil {
				t.Fatalf("line %d: %v", line, err)
			}
			if ours != (m.Role == transport.Request) {
				t.Errorf("line %d: the frame goes the other way", line)
			}
			if !ours {
				done = append(done, obd.Message{From: m.From(), PGN: series.None, Data: m.Data})
			} else if got := asks(t, line, m.Data); got != words {
				t.Errorf("line %d: %q, the guide says %q", line, got, words)
			}
		} else {
			id, err := strconv.ParseUint(fields[1], 16, 29)
			if err != nil {
				t.Fatalf("line %d: %v", line, err)
			}
			data, err := hex.DecodeString(strings.Join(fields[2:], ""))
			if err != nil || len(data) > 8 {
				t.Fatalf("line %d: %v, %d bytes", line, err, len(data))
			}
			f := &transport.Frame{Time: now, ID: uint32(id), Extended: len(fields[1]) > 3, Data: data}
			if role := transport.RoleOf(f.ID, f.Extended); role != transport.Group && ours != (role == transport.Request) {
				t.Errorf("line %d: the frame goes the other way", line)
			}
			if ours {
				if got := controls(t, line, f); got != words {
					t.Errorf("line %d: %q, the guide says %q", line, got, words)
				}
			}
			a.Frame(f)
		}
		if ours || words == "" {
			if len(done) != 0 {
				t.Errorf("line %d: a message is complete, and the guide does not say what it tells", line)
			}
			continue
		}
		if len(done) != 1 {
			t.Fatalf("line %d: %d messages are complete", line, len(done))
		}
		tells(t, line, bus, done, words)
		if inReport != "" && len(e.args) == 1 { // of the vehicle that the report is of
			contains(t, line, inReport, bus, done[0])
		}
		done = done[:0]
		told++
	}
	a.End()
	if told == 0 {
		t.Errorf("line %d: an exchange that tells nothing", e.line)
	}
}

// tells checks that each of the words, separated by semicolons, is part of what a message says, and that every
// test in it is named.
func tells(t *testing.T, line int, bus series.Bus, msgs []obd.Message, words string) {
	t.Helper()
	read := obd.Decode(bus, msgs, nil)
	var said []string
	for i := range read.Items {
		it := &read.Items[i]
		if it.Err != nil {
			t.Errorf("line %d: %v", line, it.Err)
			continue
		}
		text := it.Explain()
		if it.Result != nil {
			text = it.Result.Test + ": " + text
			if !strings.Contains(words, it.Result.Test) {
				t.Errorf("line %d: %s is not named", line, it.Result.Test)
			}
		}
		said = append(said, text)
	}
	for _, part := range strings.Split(words, "; ") {
		if !slices.ContainsFunc(said, func(s string) bool { return strings.Contains(s, part) }) {
			t.Errorf("line %d: nothing says %q, but: %q", line, part, said)
		}
	}
}

// contains checks that a message of an exchange stands in the report of its bus.
func contains(t *testing.T, line int, text string, bus series.Bus, m obd.Message) {
	t.Helper()
	r, err := report.Parse([]byte(text))
	if err != nil {
		t.Fatal(err)
	}
	if r.Bus != bus || !slices.ContainsFunc(r.Messages, func(x report.Message) bool {
		return x.From == m.From && x.PGN == m.PGN && bytes.Equal(x.Data, m.Data)
	}) {
		t.Errorf("line %d: the report of the guide lacks %s % X", line, m.From, m.Data)
	}
}

// The bytes on the wire go to a real broker, in both forms, and it answers as the guide says.
func TestDongleGuide_Wire(t *testing.T) {
	b, err := broker.Open(t.Context(), broker.Config{Dir: t.TempDir(), Listen: "127.0.0.1:0"}, slog.New(slog.NewTextHandler(io.Discard, nil)))
	if err != nil {
		t.Fatal(err)
	}
	defer b.Close()
	send, answer := examplesOf(t, "nats")[0].text, strings.Split(strings.TrimSpace(examplesOf(t, "nats", "answer")[0].text), "\n")
	for i, payload := range [][]byte{[]byte(guideReports(t)["can"]), guideProto(t)} {
		seq, said := exchangeNATS(t, b.Addr(), send, payload)
		var want, got struct {
			Stream string
			Seq    int
		}
		if err := json.Unmarshal([]byte(answer[1]), &want); err != nil {
			t.Fatal(err)
		}
		if err := json.Unmarshal([]byte(said), &got); err != nil {
			t.Fatalf("%v: %s", err, said)
		}
		if want.Seq += i; got != want || !strings.HasPrefix(seq, strings.ReplaceAll(answer[0], "<bytes>", "")) {
			t.Errorf("%s %s, the guide says %s", seq, said, answer)
		}
	}
	ctx, cancel := context.WithTimeout(t.Context(), 30*time.Second)
	defer cancel()
	p, err := b.Pull(ctx, 0)
	if err != nil {
		t.Fatal(err)
	}
	for range 2 {
		msgs, err := p.Fetch(ctx, 1, 10*time.Second)
		if err != nil || len(msgs) != 1 || msgs[0].Device != "dgl-0217" {
			t.Fatalf("%v: %+v", err, msgs)
		}
		if v := ingest.Examine(msgs[0].Data, nil, time.Now()); v.Refused != "" || v.Device != msgs[0].Device {
			t.Errorf("%+v", v)
		}
	}
}

// exchangeNATS sends the lines of the guide over a plain connection and gives the two lines of the answer.
func exchangeNATS(t *testing.T, addr, lines string, payload []byte) (head, said string) {
	t.Helper()
	c, err := net.Dial("tcp", addr)
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	c.SetDeadline(time.Now().Add(30 * time.Second))
	out := strings.ReplaceAll(strings.ReplaceAll(lines, "\n", "\r\n"), "<bytes>", strconv.Itoa(len(payload)))
	if _, err := io.WriteString(c, strings.ReplaceAll(out, "<report>", string(payload))); err != nil {
		t.Fatal(err)
	}
	in := bufio.NewReader(c)
	for {
		text, err := in.ReadString('\n')
		if err != nil {
			t.Fatal(err)
		}
		if strings.HasPrefix(text, "-ERR") {
			t.Fatal(text)
		}
		if strings.HasPrefix(text, "MSG ") {
			said, err := in.ReadString('\n')
			if err != nil {
				t.Fatal(err)
			}
			return strings.TrimSpace(text), said
		}
	}
}

// The commands run as they stand, in a folder with the report in both forms, and the first ones print what
// the guide shows.
func TestDongleGuide_Commands(t *testing.T) {
	dir := t.TempDir()
	self, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	bin := filepath.Join(dir, "bin")
	for name, b := range map[string][]byte{"report.json": []byte(guideReports(t)["can"]), "report.pb": guideProto(t)} {
		if err := os.WriteFile(filepath.Join(dir, name), b, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	if err := os.Mkdir(bin, 0o700); err != nil {
		t.Fatal(err)
	}
	if err := os.Symlink(self, filepath.Join(bin, "marginline")); err != nil {
		t.Fatal(err)
	}
	var printed []string
	for _, e := range examplesOf(t, "sh") {
		if !strings.Contains(e.text, "marginline ") {
			t.Errorf("line %d: commands of something else", e.line)
		}
		cmd := exec.Command("sh", "-eu")
		cmd.Dir, cmd.Stdin = dir, strings.NewReader(e.text)
		cmd.Env = append(os.Environ(), asProgram+"=1", "PATH="+bin+":"+os.Getenv("PATH"))
		var out, errs bytes.Buffer
		cmd.Stdout, cmd.Stderr = &out, &errs
		if err := cmd.Run(); err != nil {
			t.Fatalf("line %d: %v\n%s", e.line, err, errs.String())
		}
		printed = append(printed, out.String())
	}
	squash := func(s string) string { return strings.Join(strings.Fields(s), " ") }
	for _, want := range strings.Split(strings.TrimSpace(examplesOf(t, "output")[0].text), "\n") {
		if !slices.ContainsFunc(strings.Split(printed[0], "\n"), func(got string) bool { return squash(got) == squash(want) }) {
			t.Errorf("not printed: %s\n%s", want, printed[0])
		}
	}
	last := printed[len(printed)-1]
	for _, want := range []string{"m21.t89", "t05.c01", "s3242.f16.t247"} {
		if !strings.Contains(last, want) {
			t.Errorf("no %s in\n%s", want, last)
		}
	}
}

// The numbers in the text are those of the code.
func TestDongleGuide_Bounds(t *testing.T) {
	text, _ := guide(t)
	text = strings.Join(strings.Fields(text), " ")
	for _, want := range []string{
		fmt.Sprintf("at most %d bytes and %d messages", report.MaxBytes, report.MaxMessages),
		"more than 24 hours after receipt", "at most 256 bytes", "1 to 64 of",
		"`" + broker.ReportSubject + "` and the device name",
	} {
		if !strings.Contains(text, want) {
			t.Errorf("the guide does not say: %s", want)
		}
	}
	safety, first := strings.Index(text, "## 1. Safety first"), strings.Index(text, "```")
	if safety < 0 || first < safety {
		t.Error("safety does not come first")
	}
}
