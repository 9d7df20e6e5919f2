package lake

import (
	"sync"
	_ "unsafe" // for linkname

	"github.com/apache/arrow/go/v15/parquet/compress"
	"github.com/klauspost/compress/zstd"
)

// arrow v15 makes a new zstd encoder for every page: some 2 MB to clear and to collect, more than most pages hold, and
// three quarters of the time of a seal. It has no way to be given another codec, so its list of them is changed here. A test
// fails should a later release keep it elsewhere.
//
//go:linkname codecs github.com/apache/arrow/go/v15/parquet/compress.codecs
var codecs map[compress.Compression]compress.Codec

func init() { codecs[compress.Codecs.Zstd] = &pooledZstd{Codec: codecs[compress.Codecs.Zstd]} }

// pooledZstd is arrow's codec with encoders that are used again. EncodeAll may be called from many goroutines.
type pooledZstd struct {
	compress.Codec
	encoders sync.Map // level -> *zstd.Encoder
}

// Encode compresses a page at the default level.
func (z *pooledZstd) Encode(dst, src []byte) []byte {
	return z.EncodeLevel(dst, src, compress.DefaultCompressionLevel)
}

// EncodeLevel compresses a page at a level as of the reference implementation.
func (z *pooledZstd) EncodeLevel(dst, src []byte, level int) []byte {
	e, ok := z.encoders.Load(level)
	if !ok {
		l := zstd.SpeedDefault
		if level != compress.DefaultCompressionLevel {
			l = zstd.EncoderLevelFromZstd(level)
		}
		made, err := zstd.NewWriter(nil, zstd.WithZeroFrames(true), zstd.WithEncoderLevel(l), zstd.WithWindowSize(1<<20))
		if err != nil { // the options are constant
			panic(err)
		}
		e, _ = z.encoders.LoadOrStore(level, made)
	}
	return e.(*zstd.Encoder).EncodeAll(src, dst[:0])
}
