package reading

import (
	"strconv"
	"unicode"
	"unicode/utf8"
)

// Printable returns bytes that somebody sent in a form that is safe to show, on
// a page or a terminal: what is not a visible character of UTF-8 is escaped as
// in a Go string, and so is the backslash, so that no two lines look alike.
func Printable(b []byte) string {
	out := make([]byte, 0, len(b)+16)
	for len(b) > 0 {
		r, n := utf8.DecodeRune(b)
		switch {
		case r == utf8.RuneError && n == 1:
			const digits = "0123456789abcdef"
			out = append(out, '\\', 'x', digits[b[0]>>4], digits[b[0]&15])
		case r == '\\':
			out = append(out, `\\`...)
		case unicode.IsPrint(r):
			out = append(out, b[:n]...)
		default:
			quoted := strconv.QuoteRune(r)
			out = append(out, quoted[1:len(quoted)-1]...)
		}
		b = b[n:]
	}
	return string(out)
}
