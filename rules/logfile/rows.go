package logfile

import (
	"bufio"
	"bytes"
	"encoding/csv"
	"errors"
	"io"
	"strings"
)

// rows splits a log into lines and cells. Lines without a quote, which is
// nearly all that loggers write, are split here, several times faster than by
// encoding/csv; from the first quote on that library has the rest.
type rows struct {
	in    *bufio.Reader
	comma byte
	line  int   // number of the last line read here, 1 for the first
	bytes int64 // read here
	cells []string
	csv   *csv.Reader // nil until the first quote
}

// next returns the cells of the next line that is not empty; they are valid
// until the call after. io.EOF ends the log.
func (r *rows) next() ([]string, error) {
	if r.csv != nil {
		return r.csv.Read()
	}
	for {
		line, err := r.in.ReadSlice('\n')
		if errors.Is(err, bufio.ErrBufferFull) {
			return r.hand(line) // a line longer than the buffer: the library's
		}
		if err != nil && !errors.Is(err, io.EOF) {
			return nil, err
		}
		if len(line) == 0 {
			return nil, io.EOF
		}
		if bytes.IndexByte(line, '"') >= 0 {
			return r.hand(line)
		}
		r.line++
		r.bytes += int64(len(line))
		line = bytes.TrimSuffix(line, []byte{'\n'})
		line = bytes.TrimSuffix(line, []byte{'\r'})
		if len(line) == 0 {
			continue
		}
		r.split(string(line))
		return r.cells, nil
	}
}

func (r *rows) split(line string) {
	r.cells = r.cells[:0]
	for {
		i := strings.IndexByte(line, r.comma)
		if i < 0 {
			r.cells = append(r.cells, line)
			return
		}
		r.cells = append(r.cells, line[:i])
		line = line[i+1:]
	}
}

// hand gives what is left, line first, to encoding/csv.
func (r *rows) hand(line []byte) ([]string, error) {
	r.csv = csv.NewReader(io.MultiReader(bytes.NewReader(bytes.Clone(line)), r.in))
	r.csv.Comma, r.csv.ReuseRecord, r.csv.FieldsPerRecord = rune(r.comma), true, -1
	return r.csv.Read()
}

// lineOf returns the number of the line that a cell of the last row stands on.
func (r *rows) lineOf(column int) int {
	if r.csv == nil {
		return r.line
	}
	line, _ := r.csv.FieldPos(column)
	return r.line + line
}

// offset returns how many bytes have been read.
func (r *rows) offset() int64 {
	if r.csv == nil {
		return r.bytes
	}
	return r.bytes + r.csv.InputOffset()
}
