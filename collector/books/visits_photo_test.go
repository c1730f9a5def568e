package books_test

import (
	"bytes"
	"encoding/binary"
	"hash/crc32"
	"image"
	"image/color"
	"image/jpeg"
	"image/png"
	"testing"

	"github.com/stretchr/testify/require"

	"dewpost/collector/books"
)

// drawing is a picture with something in it.
func drawing() image.Image {
	m := image.NewRGBA(image.Rect(0, 0, 48, 32))
	for x := range 48 {
		for y := range 32 {
			m.Set(x, y, color.RGBA{uint8(5 * x), uint8(8 * y), uint8(x * y), 255})
		}
	}
	return m
}

func asJPEG(t testing.TB) []byte {
	t.Helper()
	var b bytes.Buffer
	require.NoError(t, jpeg.Encode(&b, drawing(), &jpeg.Options{Quality: 85}))
	return b.Bytes()
}

func asPNG(t testing.TB) []byte {
	t.Helper()
	var b bytes.Buffer
	require.NoError(t, png.Encode(&b, drawing()))
	return b.Bytes()
}

func segment(marker byte, body ...byte) []byte {
	return append([]byte{0xff, marker, byte((len(body) + 2) >> 8), byte(len(body) + 2)}, body...)
}

// secret is what must not be kept, in some of these tests.
const secret = "61.4978N 23.7610E Ruth's phone"

// exif is an Exif segment that says which way up the picture is, with what it
// was taken, and where (CIPA DC-008: GPS info IFD, tags 1 to 4).
func exif(order binary.AppendByteOrder, head string, way uint16) []byte {
	tiff := append(order.AppendUint16([]byte(head), 42), order.AppendUint32(nil, 8)...)
	entry := func(tag, kind uint16, n, value uint32) []byte {
		return order.AppendUint32(order.AppendUint32(order.AppendUint16(order.AppendUint16(nil, tag), kind), n), value)
	}
	short := func(v uint16) uint32 { // a short stands left in its four bytes
		return order.(binary.ByteOrder).Uint32(append(order.AppendUint16(nil, v), 0, 0))
	}
	tiff = order.AppendUint16(tiff, 3)
	tiff = append(tiff, entry(0x010f, 2, uint32(len(secret)), 100)...)
	tiff = append(tiff, entry(0x0112, 3, 1, short(way))...)
	tiff = append(tiff, entry(0x8825, 4, 1, 200)...)
	tiff = order.AppendUint32(tiff, 0)
	tiff = append(tiff, make([]byte, 100-len(tiff))...)
	tiff = append(tiff, secret...)
	tiff = append(tiff, make([]byte, 200-len(tiff))...)
	tiff = order.AppendUint16(tiff, 1)
	tiff = append(tiff, entry(2, 5, 3, 230)...)
	return segment(0xe1, append([]byte("Exif\x00\x00"), append(tiff, secret...)...)...)
}

// after puts segments behind a picture's SOI.
func after(picture []byte, segments ...[]byte) []byte {
	all := append([]byte(nil), picture[:2]...)
	for _, s := range segments {
		all = append(all, s...)
	}
	return append(all, picture[2:]...)
}

func TestJPEGWithoutWhereAndWho(t *testing.T) {
	plain := asJPEG(t)
	want, err := jpeg.Decode(bytes.NewReader(plain))
	require.NoError(t, err)
	jfif := segment(0xe0, append([]byte("JFIF\x00\x01\x02\x01\x00\x48\x00\x48\x01\x01"), 1, 2, 3)...) // with a smaller copy
	adobe := segment(0xee, []byte("Adobe\x00\x64\x00\x00\x00\x00\x01")...)
	for name, c := range map[string]struct {
		body []byte
		way  byte // that stays; 0: none
	}{
		"nothing to leave out":     {plain, 0},
		"all there is":             {after(plain, jfif, exif(binary.BigEndian, "MM", 6), segment(0xe1, []byte("http://ns.adobe.com/xap/1.0/\x00"+secret)...), segment(0xe2, []byte("ICC_PROFILE\x00"+secret)...), segment(0xed, []byte(secret)...), segment(0xfe, []byte(secret)...), adobe), 6},
		"the other order of bytes": {after(plain, exif(binary.LittleEndian, "II", 8)), 8},
		"upright":                  {after(plain, exif(binary.BigEndian, "MM", 1)), 0},
		"twice":                    {after(plain, exif(binary.BigEndian, "MM", 3), exif(binary.BigEndian, "MM", 6)), 3},
		"no such way up":           {after(plain, exif(binary.BigEndian, "MM", 9)), 0},
		"Exif that is cut":         {after(plain, exif(binary.BigEndian, "MM", 6)[:18], segment(0xfe)), 0},
		"something behind the end": {append(append([]byte(nil), plain...), after(plain, exif(binary.BigEndian, "MM", 6))...), 0},
		"fill bytes":               {after(plain, []byte{0xff, 0xff}), 0},
		"another Adobe segment":    {after(plain, segment(0xee, []byte("Adobe"+secret)...)), 0},
		"a JFXX segment":           {after(plain, segment(0xe0, []byte("JFXX\x00\x10"+secret)...)), 0},
	} {
		if name == "Exif that is cut" {
			c.body = after(plain, segment(0xe1, []byte("Exif\x00\x00MM\x00\x2a\x00\x00\x00\x08\x00\x09\x01")...))
		}
		p, err := books.CleanPhoto(c.body)
		require.NoError(t, err, name)
		require.Equal(t, "image/jpeg", p.Type)
		require.Equal(t, [2]int{48, 32}, [2]int{p.Width, p.Height})
		for _, word := range []string{secret, "61.4978", "Ruth", "ICC", "xap", "JFXX"} {
			require.NotContains(t, string(p.Body), word, name)
		}
		got, err := jpeg.Decode(bytes.NewReader(p.Body))
		require.NoError(t, err, name)
		require.Equal(t, want, got, "%s: the same picture", name)
		at := bytes.Index(p.Body, []byte("Exif\x00\x00"))
		if c.way == 0 {
			require.Negative(t, at, name)
		} else {
			require.Equal(t, []byte{0xff, 0xe1, 0, 34}, p.Body[at-4:at], name)
			require.Equal(t, []byte{0x01, 0x12, 0, 3, 0, 0, 0, 1, 0, c.way, 0, 0, 0, 0, 0, 0}, p.Body[at+16:at+32], name)
		}
		again, err := books.CleanPhoto(p.Body)
		require.NoError(t, err, name)
		require.Equal(t, p.Body, again.Body, "%s: clean is clean", name)
	}
}

func chunk(name, body string) []byte {
	c := append(binary.BigEndian.AppendUint32(nil, uint32(len(body))), name+body...)
	return binary.BigEndian.AppendUint32(c, crc32.ChecksumIEEE(c[4:]))
}

func TestPNGWithoutWhereAndWho(t *testing.T) {
	plain := asPNG(t)
	head := len("\x89PNG\r\n\x1a\n") + 25 // IHDR
	full := append([]byte(nil), plain[:head]...)
	for _, name := range []string{"tEXt", "iTXt", "zTXt", "eXIf", "tIME", "iCCP", "prVt"} {
		full = append(full, chunk(name, secret)...)
	}
	full = append(append(append(full, chunk("gAMA", "\x00\x00\xb1\x8f")...), plain[head:]...), secret...)
	p, err := books.CleanPhoto(full)
	require.NoError(t, err)
	require.Equal(t, "image/png", p.Type)
	require.Equal(t, [2]int{48, 32}, [2]int{p.Width, p.Height})
	require.NotContains(t, string(p.Body), secret)
	require.Contains(t, string(p.Body), "gAMA")
	want, err := png.Decode(bytes.NewReader(plain))
	require.NoError(t, err)
	got, err := png.Decode(bytes.NewReader(p.Body))
	require.NoError(t, err)
	require.Equal(t, want, got)
}

func TestPhotosThatAreNone(t *testing.T) {
	jpg, pic := asJPEG(t), asPNG(t)
	bad := append([]byte(nil), pic...)
	bad[30] ^= 1
	for name, c := range map[string]struct {
		body []byte
		fix  string
	}{
		"nothing":            {nil, "send a picture"},
		"text":               {[]byte("<html>"), "it is neither"},
		"GIF":                {[]byte("GIF89a\x01\x00\x01\x00"), "it is neither"},
		"too large":          {append(append([]byte(nil), jpg...), make([]byte, books.PhotoMost)...), "at most 8 MiB"},
		"a cut JPEG":         {jpg[:len(jpg)-2], "its end is missing"},
		"a JPEG's head":      {jpg[:3], "its end is missing"},
		"cut in a segment":   {jpg[:40], "its end is missing"},
		"cut before length":  {append([]byte{0xff, 0xd8}, 0xff, 0xe0), "its end is missing"},
		"an odd marker":      {append([]byte{0xff, 0xd8, 0xff, 0x01}, jpg[2:]...), "damaged"},
		"a length of 1":      {[]byte{0xff, 0xd8, 0xff, 0xe0, 0, 1, 0, 0, 0}, "damaged"},
		"no marker":          {append([]byte{0xff, 0xd8, 0xff, 0xfe, 0, 2, 0x20}, jpg[2:]...), "damaged"},
		"no picture in it":   {[]byte{0xff, 0xd8, 0xff, 0xd9}, "damaged"},
		"a cut PNG":          {pic[:len(pic)-4], "its end is missing"},
		"a PNG's head":       {pic[:12], "its end is missing"},
		"a PNG that changed": {bad, "damaged"},
	} {
		_, err := books.CleanPhoto(c.body)
		var e books.Error
		require.ErrorAs(t, err, &e, name)
		require.Equal(t, "photo", e.Field, name)
		require.Contains(t, e.Fix, c.fix, name)
	}
}

// What is accepted is clean, and stays so.
func FuzzCleanPhoto(f *testing.F) {
	f.Add(asJPEG(f))
	f.Add(asPNG(f))
	f.Add(after(asJPEG(f), exif(binary.BigEndian, "MM", 6), exif(binary.LittleEndian, "II", 6), segment(0xfe, []byte(secret)...)))
	f.Fuzz(func(t *testing.T, body []byte) {
		p, err := books.CleanPhoto(body)
		if err != nil {
			require.Empty(t, p.Body)
			return
		}
		again, err := books.CleanPhoto(p.Body)
		require.NoError(t, err)
		require.Equal(t, p, again)
	})
}
