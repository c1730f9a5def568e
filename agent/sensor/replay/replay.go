// Package replay reads a log of readings from a CSV file, one reading per
// row, with the file's own times.
//
// The first row names the columns: time (RFC 3339) and channels of the wire
// contract. Fields are separated by commas, or by semicolons, in which case a
// decimal comma is understood. A blank cell, NaN or --- is a read that failed.
package replay

import (
	"bufio"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"os"
	"slices"
	"strconv"
	"strings"
	"time"

	"dewpost/rules/reading"
	"dewpost/rules/unit"
)

const timeColumn = "time"

// File is an open log.
type File struct {
	name    string
	file    *os.File
	rows    *csv.Reader
	time    int // index of the column
	columns []column
	decimal bool // comma as the decimal sign
}

type column struct {
	index   int
	name    string // as in the file
	channel reading.Channel
}

// Open opens the log at path. Each item of rename is "column=channel": the
// column of that name is read as that channel; nothing after the = ignores
// the column.
func Open(path string, rename []string) (*File, error) {
	names, err := parseMap(rename)
	if err != nil {
		return nil, err
	}
	file, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	f := &File{name: path, file: file}
	if err := f.header(names); err != nil {
		return nil, errors.Join(err, file.Close())
	}
	return f, nil
}

// Close closes the file.
func (f *File) Close() error { return f.file.Close() }

// Channels lists the channels that the file has, in the order of its columns.
func (f *File) Channels() []reading.Channel {
	list := make([]reading.Channel, len(f.columns))
	for i, c := range f.columns {
		list[i] = c.channel
	}
	return list
}

func parseMap(rename []string) (map[string]string, error) {
	names := make(map[string]string, len(rename))
	for _, item := range rename {
		at := strings.LastIndexByte(item, '=')
		if at < 1 {
			return nil, fmt.Errorf("map %q: write \"column=channel\", or \"column=\" to ignore a column", item)
		}
		column, to := item[:at], item[at+1:]
		if _, ok := reading.ChannelByName(to); !ok && to != "" && to != timeColumn {
			return nil, fmt.Errorf("map %q: no channel %q; there are %s and %s", item, to, timeColumn, strings.Join(reading.ChannelNames(), ", "))
		}
		if _, twice := names[column]; twice {
			return nil, fmt.Errorf("map %q: column %q stands there twice", item, column)
		}
		names[column] = to
	}
	return names, nil
}

func (f *File) header(rename map[string]string) error {
	in := bufio.NewReader(f.file)
	if mark, err := in.Peek(3); err == nil && string(mark) == "\ufeff" {
		if _, err := in.Discard(len(mark)); err != nil {
			return fmt.Errorf("%s: %w", f.name, err)
		}
	}
	start, err := in.Peek(4096)
	if err != nil && !errors.Is(err, io.EOF) {
		return fmt.Errorf("%s: %w", f.name, err)
	}
	first, _, _ := strings.Cut(string(start), "\n")
	f.rows = csv.NewReader(in)
	f.rows.ReuseRecord = true
	if strings.Contains(first, ";") {
		f.rows.Comma, f.decimal = ';', true
	}
	names, err := f.rows.Read()
	if errors.Is(err, io.EOF) {
		return fmt.Errorf("%s: empty; the first row must name the columns", f.name)
	}
	if err != nil {
		return fmt.Errorf("%s: %w", f.name, err)
	}
	return f.assign(slices.Clone(names), rename)
}

// assign finds out what each column is.
func (f *File) assign(names []string, rename map[string]string) error {
	f.time = -1
	for i, name := range names {
		to, mapped := rename[name]
		if !mapped {
			to = strings.TrimSpace(name)
		}
		channel, known := reading.ChannelByName(to)
		switch {
		case mapped && to == "":
		case to == timeColumn && f.time < 0:
			f.time = i
		case to == timeColumn, known && slices.Contains(f.Channels(), channel):
			return fmt.Errorf("%s: column %q is the second one for %s; ignore one with map = [%q]", f.name, name, to, name+"=")
		case known:
			f.columns = append(f.columns, column{index: i, name: name, channel: channel})
		default:
			return fmt.Errorf("%s: unknown column %q; known are %s and %s; rename it with map = [%q], ignore it with map = [%q]",
				f.name, name, timeColumn, strings.Join(reading.ChannelNames(), ", "), name+"=…", name+"=")
		}
	}
	for name := range rename {
		if !slices.Contains(names, name) {
			return fmt.Errorf("%s: map names column %q, which the file does not have; it has %s", f.name, name, strings.Join(names, ", "))
		}
	}
	if f.time < 0 {
		return fmt.Errorf("%s: no column time; it has %s", f.name, strings.Join(names, ", "))
	}
	if len(f.columns) == 0 {
		return fmt.Errorf("%s: no channel among the columns; known are %s", f.name, strings.Join(reading.ChannelNames(), ", "))
	}
	return nil
}

// Next returns the reading of the next row, io.EOF after the last one. Values
// are as in the file, neither rounded nor checked for range: that is the
// collector's business, which counts what it refuses.
func (f *File) Next() (reading.Reading, error) {
	cells, err := f.rows.Read()
	if errors.Is(err, io.EOF) {
		return reading.Reading{}, io.EOF
	}
	if err != nil {
		return reading.Reading{}, fmt.Errorf("%s: %w", f.name, err)
	}
	var r reading.Reading
	text := strings.TrimSpace(cells[f.time])
	t, err := time.Parse(time.RFC3339Nano, text)
	if err != nil {
		return r, f.bad(f.time, timeColumn, text, "write RFC 3339 with an offset, such as 2024-05-01T06:00:00Z")
	}
	r.Time = unit.At(t)
	if !r.Time.Time().Equal(t) {
		return r, f.bad(f.time, timeColumn, text, "the year must lie between 1678 and 2262")
	}
	var failed []string
	for _, c := range f.columns {
		text := strings.TrimSpace(cells[c.index])
		if text == "" || text == "---" || strings.EqualFold(text, "nan") {
			failed = append(failed, reading.FlagFailed+c.channel.Name())
			continue
		}
		v, ok := f.number(text)
		if !ok {
			return r, f.bad(c.index, c.name, text, "write a decimal number, or leave the cell empty")
		}
		r.Set(c.channel, v)
	}
	r.Flags = strings.Join(failed, ",")
	return r, nil
}

func (f *File) number(text string) (float64, bool) {
	if f.decimal {
		text = strings.Replace(text, ",", ".", 1)
	}
	// ParseFloat also takes hexadecimal, underscores and words.
	if strings.Trim(text, "+-.0123456789eE") != "" {
		return 0, false
	}
	v, err := strconv.ParseFloat(text, 64)
	return v, err == nil
}

func (f *File) bad(index int, name, text, fix string) error {
	line, _ := f.rows.FieldPos(index)
	return fmt.Errorf("%s: line %d, column %s: %q: %s", f.name, line, name, text, fix)
}
