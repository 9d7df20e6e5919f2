package report

import (
	"strings"
	"testing"

	"google.golang.org/protobuf/encoding/protowire"
)

// A message that its sender could not reassemble keeps the reason and the frames, and says the same in both
// forms; the messages beside it stay.
func TestParse_Broken(t *testing.T) {
	const head = `{"id":"a","device":"d","time":"2026-03-02T06:14:09Z","bus":"can","messages":[`
	text := head + `{"from":"7E8","data":"101C460101 2124","broken":"7E8: frames lost"},{"from":"7E8","data":"4100","broken":""},{"from":"7E8","data":"zz","broken":"x"},{"data":"41","broken":7}]}`
	r, err := Parse([]byte(text))
	if err != nil {
		t.Fatal(err)
	}
	m := r.Messages
	if !m[0].Broken || m[0].Fault != "not reassembled: 7E8: frames lost" || string(m[0].Raw) != "101C460101 2124" || m[0].From != "7E8" {
		t.Errorf("%+v", m[0])
	}
	if m[1].Broken || m[1].Fault != "" || len(m[1].Data) != 2 {
		t.Errorf("%+v", m[1])
	}
	if !m[2].Broken || m[2].Fault != "not reassembled: x" || string(m[2].Raw) != "zz" || m[3].Broken || !strings.Contains(m[3].Fault, `"broken": a number`) {
		t.Errorf("%+v %+v", m[2], m[3])
	}
	if _, err := r.Encode(); err == nil {
		t.Error("encoded a message that is none")
	}

	r, err = Parse([]byte(head + `{"from":"7E8","data":"101C","broken":"lost"}]}`))
	if err != nil {
		t.Fatal(err)
	}
	want := r.Digest()
	r.Messages = r.Messages[:0]
	payload, err := r.EncodeProto()
	if err != nil {
		t.Fatal(err)
	}
	field := func(b []byte, n protowire.Number, s string) []byte {
		return protowire.AppendString(protowire.AppendTag(b, n, protowire.BytesType), s)
	}
	in := field(field(field(nil, protoFrom, "7E8"), protoData, "\x10\x1C"), protoBroken, "lost")
	r, err = Parse(field(payload, protoMessages, string(in)))
	if err != nil {
		t.Fatal(err)
	}
	if m := r.Messages[0]; !m.Broken || m.Fault != "not reassembled: lost" || string(m.Raw) != "\x10\x1C" {
		t.Errorf("%+v", m)
	}
	if r.Digest() != want {
		t.Error("another digest in protobuf")
	}
	other := field(field(field(nil, protoFrom, "7E8"), protoData, "\x10\x1C"), protoBroken, "late")
	if r, err = Parse(field(payload, protoMessages, string(other))); err != nil || r.Digest() == want {
		t.Error("another reason has the same digest", err)
	}
}
