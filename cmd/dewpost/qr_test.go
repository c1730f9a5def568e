package main

import (
	"bytes"
	"image"
	"image/color"
	"strings"
	"testing"
	"time"

	"github.com/makiuchi-d/gozxing"
	"github.com/makiuchi-d/gozxing/qrcode"
	"github.com/stretchr/testify/require"

	"dewpost/collector"
	"dewpost/collector/store"
	"dewpost/rules/bundle"
)

// An independent reader finds in what the terminal shows the text that the agent
// takes.
func TestQRCodeIsReadable(t *testing.T) {
	s, err := store.Open(t.Context(), t.TempDir()+"/store.db")
	require.NoError(t, err)
	defer func() { require.NoError(t, s.Close()) }()
	cfg := collector.DefaultConfig()
	cfg.Stations.Listen, cfg.TLS.Names = "0.0.0.0:8883", []string{strings.Repeat("a-long-name.", 5) + "example"}
	const id = "a-station-with-the-longest-name1"
	require.NoError(t, collector.Enrol(t.Context(), s, id, nil, time.Now(), "test"))
	b, err := collector.Bundle(t.Context(), s, cfg, id, false, time.Now())
	require.NoError(t, err)
	require.NotEmpty(t, b.Authority)
	text, err := b.Text()
	require.NoError(t, err)
	var shown bytes.Buffer
	require.NoError(t, showQR(&shown, text))
	lines := strings.Split(strings.TrimSpace(shown.String()), "\n")
	t.Logf("%d characters in %d lines of %d", len(text), len(lines), len([]rune(strip(lines[0]))))
	require.Less(t, len([]rune(strip(lines[0]))), 120, "it fits into a terminal")

	bitmap, err := gozxing.NewBinaryBitmapFromImage(picture(t, lines))
	require.NoError(t, err)
	// Finding a code in a photograph is another matter, and not sure in this reader.
	read, err := qrcode.NewQRCodeReader().Decode(bitmap, map[gozxing.DecodeHintType]any{gozxing.DecodeHintType_PURE_BARCODE: true})
	require.NoError(t, err)
	require.Equal(t, text, read.GetText())
	got, err := bundle.Parse(read.GetText())
	require.NoError(t, err)
	require.Equal(t, b, got)
}

const (
	blackOnWhite = "\x1b[38;5;16;48;5;231m"
	colourOff    = "\x1b[0m"
)

func strip(line string) string {
	return strings.TrimSuffix(strings.TrimPrefix(line, blackOnWhite), colourOff)
}

// picture draws lines as a terminal does, four pixels to a module.
func picture(t *testing.T, lines []string) image.Image {
	t.Helper()
	const pixels = 4
	width := len([]rune(strip(lines[0])))
	img := image.NewGray(image.Rect(0, 0, width*pixels, 2*len(lines)*pixels))
	module := func(x, y int, black bool) {
		c := color.Gray{Y: 255}
		if black {
			c.Y = 0
		}
		for dx := range pixels {
			for dy := range pixels {
				img.SetGray(x*pixels+dx, y*pixels+dy, c)
			}
		}
	}
	for y, line := range lines {
		require.True(t, strings.HasPrefix(line, blackOnWhite) && strings.HasSuffix(line, colourOff), "%q", line)
		for x, r := range []rune(strip(line)) {
			require.Contains(t, " ▀▄█", string(r))
			module(x, 2*y, r == '▀' || r == '█')
			module(x, 2*y+1, r == '▄' || r == '█')
		}
	}
	return img
}
