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
	"marginline/ingest/report"
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

// A full log answers with an error, which the guide tells from an acknowledgment by that word alone.
func TestDongleGuide_FullLog(t *testing.T) {
	b, err := broker.Open(t.Context(), broker.Config{Dir: t.TempDir(), Listen: "127.0.0.1:0", MaxBytes: 2048}, slog.New(slog.NewTextHandler(io.Discard, nil)))
	if err != nil {
		t.Fatal(err)
	}
	defer b.Close()
	send, refused := examplesOf(t, "nats")[0].text, false
	for range 4 {
		_, said := exchangeNATS(t, b.Addr(), send, []byte(guideReports(t)["can"]))
		var got map[string]any
		if err := json.Unmarshal([]byte(said), &got); err != nil {
			t.Fatalf("%v: %s", err, said)
		}
		refused = refused || got["error"] != nil
	}
	if !refused {
		t.Error("four reports of a kilobyte fit into two kilobytes")
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
