package books

import (
	"slices"
	"strings"
	"unicode"
	"unicode/utf8"

	"golang.org/x/text/unicode/norm"
)

// Erased takes the place of what was said of an erased person.
const Erased = "(erased)"

// word is a run of letters, or of digits, in a text.
type word struct {
	text     string // as it is compared: without case and diacritical marks
	from, to int    // bytes of the text
	digits   bool
}

// expansions are letters that two write as well, for comparison. What else has a
// mark is taken apart by Unicode (NFD), and the mark dropped.
var expansions = map[rune]string{'ß': "ss", 'æ': "ae", 'œ': "oe", 'ø': "o", 'ł': "l", 'đ': "d", 'ð': "d", 'þ': "th", 'ı': "i"}

// words takes a text apart. What Unicode doesn't show (soft hyphens, joiners)
// doesn't part a word.
func words(text string) []word {
	var all []word
	var b strings.Builder
	open := false
	var w word
	end := func() {
		if open {
			w.text = b.String()
			all = append(all, w)
			b.Reset()
		}
		open = false
	}
	for i := 0; i < len(text); {
		r, size := utf8.DecodeRuneInString(text[i:])
		next := i + size
		switch {
		case r == utf8.RuneError && size <= 1:
			end()
		case unicode.In(r, unicode.Mn, unicode.Cf):
			if open {
				w.to = next
			}
		case unicode.IsLetter(r), unicode.IsDigit(r):
			digit := unicode.IsDigit(r)
			if open && w.digits != digit {
				end()
			}
			if !open {
				w, open = word{from: i, digits: digit}, true
			}
			w.to = next
			appendPlain(&b, r)
		default:
			end()
		}
		i = next
	}
	end()
	return all
}

// appendPlain appends a rune without case and marks.
func appendPlain(b *strings.Builder, r rune) {
	if r < utf8.RuneSelf {
		b.WriteRune(unicode.ToLower(r))
		return
	}
	for _, part := range norm.NFKD.String(string(r)) {
		part = unicode.ToLower(part)
		if long, ok := expansions[part]; ok {
			b.WriteString(long)
		} else if !unicode.In(part, unicode.Mn) {
			b.WriteRune(part)
		}
	}
}

// spellings are the ways in which a plain word may be written where somebody has
// no umlauts, or has them again: Brückner, Bruckner, Brueckner.
func spellings(original string, plain string) []string {
	all := []string{plain}
	var long strings.Builder
	for _, r := range norm.NFC.String(strings.ToLower(original)) {
		if two, ok := map[rune]string{'ä': "ae", 'ö': "oe", 'ü': "ue", 'å': "aa", 'ø': "oe"}[r]; ok {
			long.WriteString(two)
		} else {
			appendPlain(&long, r)
		}
	}
	all = append(all, long.String(), strings.NewReplacer("ae", "a", "oe", "o", "ue", "u", "aa", "a").Replace(plain))
	slices.Sort(all)
	return slices.Compact(all)
}
