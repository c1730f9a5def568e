package main

import (
	"fmt"
	"io"
	"strings"

	"rsc.io/qr"
)

// quiet is the margin round a QR code, in modules (ISO/IEC 18004 has 4).
const quiet = 4

// showQR draws text as a QR code, two modules in a character. Black and white
// are colours of their own, so that neither a dark nor a light terminal turns
// them round, nor a theme.
func showQR(w io.Writer, text string) error {
	code, err := qr.Encode(text, qr.L) // the screen is whole; fewer modules are easier to scan
	if err != nil {
		return fmt.Errorf("draw the QR code: %w", err)
	}
	var out strings.Builder
	for y := -quiet; y < code.Size+quiet; y += 2 {
		out.WriteString("\x1b[38;5;16;48;5;231m") // black on white
		for x := -quiet; x < code.Size+quiet; x++ {
			switch upper, lower := code.Black(x, y), code.Black(x, y+1); {
			case upper && lower:
				out.WriteString("█")
			case upper:
				out.WriteString("▀")
			case lower:
				out.WriteString("▄")
			default:
				out.WriteString(" ")
			}
		}
		out.WriteString("\x1b[0m\n")
	}
	if _, err := io.WriteString(w, out.String()); err != nil {
		return fmt.Errorf("show the QR code: %w", err)
	}
	return nil
}
