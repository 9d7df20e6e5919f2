package lake

import (
	"bytes"
	"testing"

	"github.com/apache/arrow/go/v15/parquet/compress"
	"github.com/klauspost/compress/zstd"
)

// arrow's writers take the codec that is put in its list, whose encoders are used again, and zstd itself reads what it makes.
func TestZstdEncodersAreUsedAgain(t *testing.T) {
	c, err := compress.GetCodec(compress.Codecs.Zstd)
	if err != nil {
		t.Fatal(err)
	}
	if _, ok := c.(*pooledZstd); !ok {
		t.Fatalf("arrow compresses with %T", c)
	}
	page := bytes.Repeat([]byte("one page of a column, "), 4000)
	dec, err := zstd.NewReader(nil)
	if err != nil {
		t.Fatal(err)
	}
	defer dec.Close()
	for _, level := range []int{compress.DefaultCompressionLevel, 1, 7} {
		packed := c.EncodeLevel(nil, page, level)
		if got, err := dec.DecodeAll(packed, nil); err != nil || !bytes.Equal(got, page) {
			t.Errorf("level %d: %d bytes come back as %d: %v", level, len(page), len(got), err)
		}
		if got := c.Decode(nil, packed); !bytes.Equal(got, page) {
			t.Errorf("level %d: arrow reads something else", level)
		}
	}
	room := make([]byte, 0, len(page))
	if n := testing.AllocsPerRun(20, func() { c.EncodeLevel(room, page, compress.DefaultCompressionLevel) }); n > 3 {
		t.Errorf("%v allocations a page: an encoder is made for each", n)
	}
}
