package books

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"hash/crc32"
	"image"
	_ "image/jpeg" // for the size
	_ "image/png"
	"slices"

	"dewpost/collector/record"
)

// PhotoMost is how large a photo may be, in bytes.
const PhotoMost = 8 << 20

var (
	errCut   = errors.New("its end is missing: send the whole file")
	errOther = errors.New("it is damaged: save it again")
)

// CleanPhoto returns a JPEG or PNG, told by its content, without what is no
// picture: where it was taken, with what, when, by whom, notes, a smaller copy,
// and whatever stands behind its end. The picture itself is not encoded again.
// Of a JPEG's Exif data only the way up stays.
func CleanPhoto(body []byte) (record.VisitPhoto, error) {
	var p record.VisitPhoto
	var err error
	switch {
	case len(body) == 0:
		return p, Error{"photo", "", "send a picture, JPEG or PNG"}
	case len(body) > PhotoMost:
		return p, Error{"photo", fmt.Sprintf("%d bytes", len(body)), fmt.Sprintf("send at most %d MiB: make it smaller", PhotoMost>>20)}
	case bytes.HasPrefix(body, []byte{0xff, soi, 0xff}):
		p.Type = "image/jpeg"
		p.Body, err = cleanJPEG(body)
	case bytes.HasPrefix(body, []byte(pngHead)):
		p.Type = "image/png"
		p.Body, err = cleanPNG(body)
	default:
		return p, Error{"photo", fmt.Sprintf("%.8q", body), "send JPEG or PNG: it is neither"}
	}
	var size image.Config
	if err == nil {
		if size, _, err = image.DecodeConfig(bytes.NewReader(p.Body)); err != nil {
			err = errOther
		}
	}
	if err != nil {
		return record.VisitPhoto{}, Error{"photo", p.Type, err.Error()}
	}
	p.Width, p.Height = size.Width, size.Height
	return p, nil
}

// Markers of a JPEG, ITU-T T.81 table B.1.
const (
	soi  = 0xd8
	eoi  = 0xd9
	sos  = 0xda
	com  = 0xfe
	app0 = 0xe0
	app1 = 0xe1
	appE = 0xee // Adobe's, which says how colours are meant
	appF = 0xef
	rst0 = 0xd0
	rst7 = 0xd7
)

// cleanJPEG copies the segments that make the picture, up to its end.
func cleanJPEG(body []byte) ([]byte, error) {
	out := append(make([]byte, 0, len(body)), 0xff, soi)
	upright := false
	for rest := body[2:]; ; {
		if len(rest) > 0 && rest[0] != 0xff {
			return nil, errOther
		}
		for len(rest) > 0 && rest[0] == 0xff { // a marker may have any number of them before it
			rest = rest[1:]
		}
		if len(rest) == 0 {
			return nil, errCut
		}
		marker := rest[0]
		if marker == eoi {
			return append(out, 0xff, eoi), nil
		}
		if len(rest) < 3 {
			return nil, errCut
		}
		n := 1 + int(binary.BigEndian.Uint16(rest[1:]))
		switch {
		case marker < 0xc0 || marker >= rst0 && marker <= soi || n < 3:
			return nil, errOther
		case n > len(rest):
			return nil, errCut
		}
		segment := rest[:n]
		rest = rest[n:]
		switch {
		case marker == app1 && !upright:
			if way := wayUp(segment[3:]); way > 1 {
				out, upright = append(out, exifOf(way)...), true
			}
			continue
		case marker == app0 && bytes.HasPrefix(segment[3:], []byte("JFIF\x00")) && n >= 17:
			// A smaller copy of the picture may follow: leave it out.
			out = append(append(append(out, 0xff, app0, 0, 16), segment[3:15]...), 0, 0)
			continue
		case marker == appE && bytes.HasPrefix(segment[3:], []byte("Adobe")) && n == 15:
		case marker >= app0 && marker <= appF || marker == com:
			continue
		}
		out = append(append(out, 0xff), segment...)
		if marker == sos {
			n := scanned(rest)
			out, rest = append(out, rest[:n]...), rest[n:]
			if len(rest) == 0 {
				return nil, errCut
			}
		}
	}
}

// scanned returns how many bytes of coded picture there are before the next
// marker.
func scanned(b []byte) int {
	for i := 0; i+1 < len(b); i++ {
		if b[i] == 0xff && b[i+1] != 0 && b[i+1] != 0xff && (b[i+1] < rst0 || b[i+1] > rst7) {
			return i
		}
	}
	return len(b)
}

// orientation is Exif's tag for which way up a picture is, 1 to 8, where 1 is
// as it stands (CIPA DC-008, 4.6.4).
const orientation = 0x0112

// wayUp reads the way up from an Exif segment; 0 when it doesn't say.
func wayUp(exif []byte) uint16 {
	tiff, ok := bytes.CutPrefix(exif, []byte("Exif\x00\x00"))
	if !ok || len(tiff) < 8 {
		return 0
	}
	var order binary.ByteOrder = binary.BigEndian
	if tiff[0] == 'I' {
		order = binary.LittleEndian
	}
	at := int64(order.Uint32(tiff[4:]))
	if at+2 > int64(len(tiff)) {
		return 0
	}
	n := int(order.Uint16(tiff[at:]))
	for entry := range slices.Chunk(tiff[at+2:], 12) {
		if n--; n < 0 || len(entry) < 12 {
			return 0
		}
		if order.Uint16(entry) == orientation {
			if way := order.Uint16(entry[8:]); way <= 8 {
				return way
			}
		}
	}
	return 0
}

// exifOf is an Exif segment that holds the way up and nothing else.
func exifOf(way uint16) []byte {
	return append([]byte{
		0xff, app1, 0, 34, 'E', 'x', 'i', 'f', 0, 0,
		'M', 'M', 0, 42, 0, 0, 0, 8, // TIFF header
		0, 1, orientation >> 8, orientation & 0xff, 0, 3, 0, 0, 0, 1, // one entry: one short
	}, byte(way>>8), byte(way), 0, 0, 0, 0, 0, 0)
}

const pngHead = "\x89PNG\r\n\x1a\n"

// pngKept are the chunks that make a PNG's picture.
var pngKept = []string{"IHDR", "PLTE", "IDAT", "IEND", "tRNS", "gAMA", "cHRM", "sRGB", "sBIT", "bKGD", "pHYs"}

// cleanPNG copies the chunks that make the picture, up to its end.
func cleanPNG(body []byte) ([]byte, error) {
	out := append(make([]byte, 0, len(body)), pngHead...)
	for rest := body[len(pngHead):]; ; {
		if len(rest) < 12 {
			return nil, errCut
		}
		n := int64(binary.BigEndian.Uint32(rest)) + 12
		if n > int64(len(rest)) {
			return nil, errCut
		}
		chunk := rest[:n]
		rest = rest[n:]
		if crc32.ChecksumIEEE(chunk[4:n-4]) != binary.BigEndian.Uint32(chunk[n-4:]) {
			return nil, errOther
		}
		name := string(chunk[4:8])
		if slices.Contains(pngKept, name) {
			out = append(out, chunk...)
		}
		if name == "IEND" {
			return out, nil
		}
	}
}
