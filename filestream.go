package main

import (
	"compress/gzip"
	"fmt"
	"io"
	"os"
	"strings"

	"github.com/klauspost/compress/zstd"
)

// A fileStream reads several files as one stream of lines, unpacking as it goes.
type fileStream struct {
	files []string
	stdin io.Reader
	seen  func(n int) // told of the bytes read from disk, before unpacking
	err   error

	// convert makes lines of reports out of an unpacked file of another kind. May be nil.
	convert func(name string, in io.Reader) io.Reader

	cur   io.Reader
	close []func()
	last  byte
}

func (s *fileStream) Read(p []byte) (int, error) {
	for {
		if s.cur == nil {
			if len(s.files) == 0 {
				return 0, io.EOF
			}
			if s.err = s.open(s.files[0]); s.err != nil {
				return 0, s.err
			}
			s.last = '\n'
		}
		n, err := s.cur.Read(p)
		if n > 0 {
			s.last = p[n-1]
			if err != nil && err != io.EOF {
				s.err = fmt.Errorf("%s: %w", s.files[0], err)
				return n, s.err
			}
			return n, nil
		}
		switch {
		case err == io.EOF:
			s.Close()
			s.files, s.cur = s.files[1:], nil
			if s.last != '\n' { // a file need not end its last line; the next file must not be glued to it
				s.last = '\n'
				return copy(p, "\n"), nil
			}
		case err != nil:
			s.err = fmt.Errorf("%s: %w", s.files[0], err)
			return 0, s.err
		}
	}
}

func (s *fileStream) open(name string) error {
	var r io.Reader = s.stdin
	if name != "-" {
		f, err := os.Open(name)
		if err != nil {
			return err
		}
		s.close = append(s.close, func() { f.Close() })
		r = f
	}
	r = &countReader{r: r, seen: s.seen}
	switch {
	case strings.HasSuffix(name, ".gz"):
		z, err := gzip.NewReader(r)
		if err != nil {
			return fmt.Errorf("%s: %w", name, err)
		}
		r = z
	case strings.HasSuffix(name, ".zst"):
		z, err := zstd.NewReader(r)
		if err != nil {
			return fmt.Errorf("%s: %w", name, err)
		}
		s.close = append(s.close, z.Close)
		r = z
	}
	if s.convert != nil {
		r = s.convert(name, r)
	}
	s.cur = r
	return nil
}

// Close closes the file being read.
func (s *fileStream) Close() error {
	for i := len(s.close) - 1; i >= 0; i-- {
		s.close[i]()
	}
	s.close = nil
	return nil
}

type countReader struct {
	r    io.Reader
	seen func(int)
}

func (c *countReader) Read(p []byte) (int, error) {
	n, err := c.r.Read(p)
	c.seen(n)
	return n, err
}
