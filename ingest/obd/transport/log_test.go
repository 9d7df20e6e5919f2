package transport

import (
	"errors"
	"fmt"
	"io"
	"strings"
	"testing"
	"testing/iotest"
)

// Lines as the log tool of the open CAN utilities of Linux writes them (form from memory), and lines that
// are none.
func TestLog(t *testing.T) {
	long := strings.Repeat("x", 5000)
	in := "\xEF\xBB\xBF(1700000000.123456) can0 7E8#0646010105000000\r\n" +
		"\n" +
		"(1700000000.1) vcan12 18DAF110#03.41.0D.20 R\n" +
		"  (1700000000.000000001)   can0   7DF#0201   T  \n" +
		"(1700000001.0) can0 7DF#R8\n" +
		"(1700000001.0) can0 7DF#R\n" +
		"(1700000001.0) can0 20000004#0004000000000000\n" +
		"(1700000001.0) can0 7E8#\n" +
		"(1700000001.0) can0 18DAF110##1" + strings.Repeat("AB", 64) + "\n" +
		"(1700000001.0) can0 7E8#0102030405060708_9\n" +
		"hello\n" +
		"(1700000001) can0 7E8#01\n" +
		"(99999999999999.0) can0 7E8#01\n" +
		"(1.0)\n" +
		"(1.0) averyverylonginterface 7E8#01\n" +
		"(1.0) can0 7E#01\n" +
		"(1.0) can0 FFF#01\n" +
		"(1.0) can0 E0000000#01\n" +
		"(1.0) can0 7E8#010\n" +
		"(1.0) can0 7E8#0G\n" +
		"(1.0) can0 7E8#010203040506070809\n" +
		"(1.0) can0 7E8##101" + strings.Repeat("AB", 64) + "\n" +
		"(1.0) can0 7E8#01 extra\n" +
		"(1.0) can0 7E8#R9\n" +
		long + "\n" +
		"(2.5) can1 001#FF"
	want := []string{
		"2023-11-14T22:13:20.123456Z can0 7E8 false 0646010105000000",
		"2023-11-14T22:13:20.1Z vcan12 18DAF110 false 03410D20",
		"2023-11-14T22:13:20.000000001Z can0 7DF false 0201",
		"2023-11-14T22:13:21Z can0 7E8 false ",
		"2023-11-14T22:13:21Z can0 18DAF110 true " + strings.Repeat("AB", 64),
		"2023-11-14T22:13:21Z can0 7E8 false 0102030405060708",
		"line 11: want a time such as (1700000000.123456) first: hello",
		"line 12: want a time such as (1700000000.123456) first: (1700000001) can0 7E8#01",
		"line 13: want a time such as (1700000000.123456) first: (99999999999999.0) can0 7E8#01",
		"line 14: want the name of an interface after the time, up to 16 bytes: (1.0)",
		"line 15: want the name of an interface after the time, up to 16 bytes: (1.0) averyverylonginterface 7E8#01",
		"line 16: want an id of 3 or 8 hex digits and #: (1.0) can0 7E#01",
		"line 17: want an id of 3 or 8 hex digits and #: (1.0) can0 FFF#01",
		"line 18: want an id of 3 or 8 hex digits and #: (1.0) can0 E0000000#01",
		"line 19: want up to 8 bytes in hex, for CAN FD a digit of flags and up to 64: (1.0) can0 7E8#010",
		"line 20: want up to 8 bytes in hex, for CAN FD a digit of flags and up to 64: (1.0) can0 7E8#0G",
		"line 21: want up to 8 bytes in hex, for CAN FD a digit of flags and up to 64: (1.0) can0 7E8#010203040506070809",
		"line 22: want up to 8 bytes in hex, for CAN FD a digit of flags and up to 64: (1.0) can0 7E8##101" + strings.Repeat("AB", 64),
		"line 23: more text after the frame: (1.0) can0 7E8#01 extra",
		"line 24: want up to 8 bytes in hex, for CAN FD a digit of flags and up to 64: (1.0) can0 7E8#R9",
		"line 25: longer than 4096 bytes: " + long[:4096] + " +904",
		"1970-01-01T00:00:02.5Z can1 001 false FF",
	}
	for name, r := range map[string]io.Reader{"whole": strings.NewReader(in), "byte by byte": iotest.OneByteReader(strings.NewReader(in))} {
		t.Run(name, func(t *testing.T) {
			l := NewLog(r)
			var f Frame
			for i := 0; ; i++ {
				err := l.Next(&f)
				got := fmt.Sprintf("%s %s %s %v %X", f.Time.Format("2006-01-02T15:04:05.999999999Z07:00"), f.Interface, idText(f.ID, f.Extended), f.FD, f.Data)
				if bad, ok := errors.AsType[*LineError](err); ok {
					got = fmt.Sprintf("%v: %s", bad, bad.Text)
					if bad.Cut > 0 {
						got += fmt.Sprintf(" +%d", bad.Cut)
					}
				} else if err != nil {
					if err != io.EOF || i != len(want) {
						t.Fatalf("after %d: %v", i, err)
					}
					break
				}
				if i >= len(want) || got != want[i] {
					t.Fatalf("line %d:\n got %s\nwant %s", l.Lines, got, want[min(i, len(want)-1)])
				}
			}
			if l.Lines != 26 || l.Remote != 2 || l.Errors != 1 || l.Bad != 15 {
				t.Errorf("%d lines, %d remote, %d errors, %d bad", l.Lines, l.Remote, l.Errors, l.Bad)
			}
			if err := l.Next(&f); err != io.EOF {
				t.Errorf("after the end: %v", err)
			}
		})
	}
}

// A recording that cannot be read further says where.
func TestLog_Broken(t *testing.T) {
	broken := errors.New("unplugged")
	for _, head := range []string{"(1.0) can0 7E8#01\n", "(1.0) can0 7E8#01\n" + strings.Repeat("y", 5000)} {
		l := NewLog(io.MultiReader(strings.NewReader(head), iotest.ErrReader(broken)))
		var f Frame
		err := l.Next(&f)
		for n := 0; n < 4 && !errors.Is(err, broken); n++ {
			err = l.Next(&f)
		}
		if !errors.Is(err, broken) || !strings.Contains(err.Error(), "line ") {
			t.Errorf("%v", err)
		}
		if err := l.Next(&f); !errors.Is(err, broken) {
			t.Errorf("forgotten: %v", err)
		}
	}
}
