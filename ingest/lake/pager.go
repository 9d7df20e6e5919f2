package lake

import (
	"fmt"
	"io"

	"github.com/apache/arrow/go/v15/arrow/memory"
	"github.com/apache/arrow/go/v15/parquet/file"
	footer "github.com/apache/arrow/go/v15/parquet/metadata"
)

// A pager reads the pages of column chunks, of one after the other. Arrow's own way takes two buffers of 16 KiB for every
// chunk, and a history of many small files is many chunks; a pager keeps its buffers.
type pager struct {
	chunk []byte // as it lies in the file
	rest  []byte // of it, not read yet
	pages file.PageReader
}

// open gives a column chunk of a file. What it gave before is void.
func (p *pager) open(from *io.SectionReader, f *file.Reader, at int, meta *footer.ColumnChunkMetaData) (file.ColumnChunkReader, error) {
	start, size := meta.DataPageOffset(), meta.TotalCompressedSize()
	if meta.HasDictionaryPage() && meta.DictionaryPageOffset() > 0 {
		start = min(start, meta.DictionaryPageOffset())
	}
	if start < 0 || size < 0 || start > from.Size() || size > from.Size()-start {
		return nil, fmt.Errorf("its place, %d bytes from %d on, is not in the file", size, start)
	}
	if int64(cap(p.chunk)) < size {
		p.chunk = make([]byte, size)
	}
	p.chunk = p.chunk[:size]
	if _, err := from.ReadAt(p.chunk, start); err != nil {
		return nil, err
	}
	p.rest = p.chunk
	if p.pages == nil {
		var err error
		if p.pages, err = file.NewPageReader(p, meta.NumValues(), meta.Compression(), memory.NewGoAllocator(), nil); err != nil {
			return nil, err
		}
	} else {
		p.pages.Reset(p, meta.NumValues(), meta.Compression(), nil)
	}
	return file.NewColumnReader(f.MetaData().Schema.Column(at), p.pages, memory.NewGoAllocator(), f.BufferPool()), nil
}

// Peek, Discard and Read are what Arrow's page reader asks of its source.

func (p *pager) Peek(n int) ([]byte, error) {
	if n > len(p.rest) {
		return p.rest, io.EOF
	}
	return p.rest[:n], nil
}

func (p *pager) Discard(n int) (int, error) {
	var err error
	if n > len(p.rest) {
		n, err = len(p.rest), io.EOF
	}
	p.rest = p.rest[n:]
	return n, err
}

func (p *pager) Read(b []byte) (int, error) {
	if len(p.rest) == 0 {
		return 0, io.EOF
	}
	n := copy(b, p.rest)
	p.rest = p.rest[n:]
	return n, nil
}
