package reading

import (
	"strconv"
	"strings"
	"testing"
	"unicode"
	"unicode/utf8"

	"github.com/stretchr/testify/require"
)

func TestPrintable(t *testing.T) {
	for raw, want := range map[string]string{
		"":                               "",
		`reading,station=a seq=1i 5`:     `reading,station=a seq=1i 5`,
		"flags=\"a\",it's\t\n":           `flags="a",it's\t\n`,
		"\x1b[31mred\x00\x7f":            `\x1b[31mred\x00\x7f`,
		"bad \xff\xc0 utf-8":             `bad \xff\xc0 utf-8`,
		`a\x00`:                          `a\\x00`,
		"é µ 漢 \u202e\u200b\u2028\ufffd": `é µ 漢 \u202e\u200b\u2028` + "\ufffd",
	} {
		require.Equal(t, want, Printable([]byte(raw)), "%q", raw)
	}
}

// FuzzPrintable: what is shown is visible, and says exactly what was sent.
func FuzzPrintable(f *testing.F) {
	for _, s := range []string{"", "reading,station=a seq=1i 5\n", "\x1b]0;x\a", "\xff\xfe\xc3", `\\x00`, "\u202eabc\u2066", "\ufffd'\"", "\U000e0001"} {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, raw []byte) {
		shown := Printable(raw)
		require.True(t, utf8.ValidString(shown))
		require.Negative(t, strings.IndexFunc(shown, func(r rune) bool { return !unicode.IsPrint(r) }))
		var back []byte
		for rest := shown; rest != ""; {
			if rest[0] == '"' || rest[0] == '\'' {
				back, rest = append(back, rest[0]), rest[1:]
				continue
			}
			r, multi, tail, err := strconv.UnquoteChar(rest, 0)
			require.NoError(t, err)
			if multi {
				back = utf8.AppendRune(back, r)
			} else {
				back = append(back, byte(r))
			}
			rest = tail
		}
		require.Equal(t, string(raw), string(back))
	})
}
