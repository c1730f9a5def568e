package books

import (
	"encoding/json"
	"regexp"
	"slices"
	"strings"
	"unicode"
	"unicode/utf8"
)

const (
	loneLetters = 4 // a word of a name is searched alone from so many letters on
	digitsLeast = 6 // digits of a telephone number
	digitsMost  = 15
	digitsSame  = 7 // last digits by which one number is known in two spellings
	gapMost     = 4 // runes between two words of a phrase
)

// titles are words that may stand in a name and are nobody's. Common practice,
// no source.
var titles = []string{"frau", "herr", "family", "familie", "mister", "miss", "madam", "doctor", "professor", "prof"}

// Traces are what a person is known by, and find it in text. Case, diacritical
// marks and what stands between words don't matter, word boundaries do: Gate is
// not found in Gateway. A genitive s is part of the word.
type Traces struct {
	phrases [][]string // plain words in order
	lone    map[string]bool
	phones  []string // digits
	short   []string // words of names that are searched in phrases only
	keep    map[string]string
}

// TracesOf reads the names and contacts that a person ever had. also are more
// phrases, without words that are kept; keep are words that are not searched
// alone.
func TracesOf(names, contacts, also, keep []string) *Traces {
	t := &Traces{lone: map[string]bool{}, keep: map[string]string{}}
	kept := map[string]bool{}
	for _, text := range keep {
		for _, w := range words(text) {
			kept[w.text] = true
		}
	}
	for _, name := range names {
		t.name(name, kept)
	}
	for _, contact := range contacts {
		t.contact(contact)
	}
	for _, text := range also {
		t.phrase(text)
		t.number(text)
	}
	return t
}

// Empty tells whether there is nothing to search for.
func (t *Traces) Empty() bool { return len(t.phrases) == 0 && len(t.lone) == 0 && len(t.phones) == 0 }

// Short are the words of names that are too short, or too common, to be searched
// alone.
func (t *Traces) Short() []string { return t.short }

func (t *Traces) name(name string, kept map[string]bool) {
	list := words(name)
	if len(list) > 1 {
		t.phrase(name)
		backward := slices.Clone(list)
		slices.Reverse(backward) // as in: Brook, Ann
		t.phrases = append(t.phrases, textsOf(backward))
	}
	for _, w := range list {
		if w.digits {
			continue
		}
		original := name[w.from:w.to]
		switch {
		case kept[w.text], slices.Contains(titles, w.text), utf8.RuneCountInString(w.text) < loneLetters && len(list) > 1:
			if !slices.Contains(t.short, original) {
				t.short = append(t.short, original)
			}
		default:
			for _, s := range spellings(original, w.text) {
				t.lone[s] = true
			}
		}
	}
}

// phrase adds words that are searched in this order, in all spellings.
func (t *Traces) phrase(text string) {
	lists := [][]string{nil}
	for _, w := range words(text) {
		var next [][]string
		for _, s := range spellings(text[w.from:w.to], w.text) {
			for _, l := range lists {
				next = append(next, append(slices.Clone(l), s))
			}
		}
		if lists = next; len(lists) > 64 {
			lists = lists[:64]
		}
	}
	if len(lists[0]) > 0 {
		t.phrases = append(t.phrases, lists...)
	}
}

func textsOf(list []word) []string {
	texts := make([]string, len(list))
	for i, w := range list {
		texts[i] = w.text
	}
	return texts
}

var (
	codePattern  = regexp.MustCompile(`^[a-z0-9_:.-]*$`)
	mailPattern  = regexp.MustCompile(`[^\s<>(),;:"]+@[^\s<>(),;:"]+`)
	addressParts = regexp.MustCompile(`[,;:|\n\r]+`)
)

// contact adds mail addresses, telephone numbers, and of a post address the
// parts in which there are letters and digits: street and number, postcode and
// town. A town or a street alone is where others live too.
func (t *Traces) contact(text string) {
	for _, mail := range mailPattern.FindAllString(text, -1) {
		t.phrase(mail)
	}
	for _, part := range addressParts.Split(mailPattern.ReplaceAllString(text, ","), -1) {
		t.number(part)
		var letters, digits bool
		for _, w := range words(part) {
			letters, digits = letters || !w.digits, digits || w.digits
		}
		if letters && digits && len(t.numbersIn(part)) == 0 {
			t.phrase(part)
		}
	}
}

// number adds the telephone numbers in a text.
func (t *Traces) number(text string) { t.phones = append(t.phones, t.numbersIn(text)...) }

func (t *Traces) numbersIn(text string) (all []string) {
	list := words(text)
	for i := 0; i < len(list); {
		digits, j := "", i
		for ; j < len(list) && list[j].digits && (j == i || isNumberGap(text[list[j-1].to:list[j].from])); j++ {
			digits += list[j].text
		}
		if len(digits) >= digitsLeast && len(digits) <= digitsMost {
			all = append(all, strings.TrimLeft(digits, "0"))
		}
		i = max(i+1, j)
	}
	return all
}

func isNumberGap(gap string) bool {
	return gap != "" && utf8.RuneCountInString(gap) <= gapMost && strings.Trim(gap, " \u00a0\u2009\u202f.()/-–+") == ""
}

// sameNumber compares the digits of two telephone numbers, one of which may have
// a country code or a zero that the other lacks. It returns how many of the last
// digits are the same; 0 where the numbers are not.
func sameNumber(a, b string) int {
	a, b = strings.TrimLeft(a, "0"), strings.TrimLeft(b, "0")
	n := 0
	for n < len(a) && n < len(b) && a[len(a)-1-n] == b[len(b)-1-n] {
		n++
	}
	if a == b || n >= digitsSame && n >= min(len(a), len(b))-4 && max(len(a), len(b))-n <= 5 {
		return n
	}
	return 0
}

// span is a stretch of a text.
type span struct{ from, to int }

// find returns where in a text something of the person stands, in order.
func (t *Traces) find(text string) []span {
	list := words(text)
	var found []span
	for i := range list {
		end := 0
		if t.isLone(list[i].text) {
			end = list[i].to
		}
		for _, phrase := range t.phrases {
			if j, ok := matchPhrase(text, list[i:], phrase); ok {
				end = max(end, list[i+j].to)
			}
		}
		if j, ok := t.matchNumber(text, list[i:]); ok {
			end = max(end, list[i+j].to)
		}
		if end > 0 {
			found = append(found, span{list[i].from, end})
		}
	}
	return joined(text, found)
}

func (t *Traces) isLone(w string) bool {
	genitive, ok := strings.CutSuffix(w, "s")
	return t.lone[w] || ok && t.lone[genitive]
}

// matchPhrase returns the index of the last word of the phrase.
func matchPhrase(text string, list []word, phrase []string) (last int, ok bool) {
	if len(phrase) > len(list) {
		return 0, false
	}
	for i, p := range phrase {
		w := list[i].text
		if w != p && (i < len(phrase)-1 || w != p+"s" || list[i].digits) {
			return 0, false
		}
		if i > 0 && utf8.RuneCountInString(text[list[i-1].to:list[i].from]) > gapMost {
			return 0, false
		}
	}
	return len(phrase) - 1, true
}

// matchNumber returns the index of the last word of a telephone number that
// begins with the first.
func (t *Traces) matchNumber(text string, list []word) (last int, ok bool) {
	if len(t.phones) == 0 || !list[0].digits {
		return 0, false
	}
	digits := ""
	for j := range list {
		if !list[j].digits || j > 0 && !isNumberGap(text[list[j-1].to:list[j].from]) {
			break
		}
		if digits += list[j].text; len(digits) > digitsMost+4 {
			break
		}
		without := digits[len(list[0].text):]
		if slices.ContainsFunc(t.phones, func(p string) bool {
			n := sameNumber(p, digits)
			return n > 0 && sameNumber(p, without) < n // the first word is part of it
		}) {
			last, ok = j, true
		}
	}
	return last, ok
}

// joined merges stretches that overlap, or between which only punctuation
// stands.
func joined(text string, found []span) []span {
	var out []span
	for _, s := range found {
		if n := len(out); n > 0 && (s.from <= out[n-1].to || strings.TrimFunc(text[out[n-1].to:s.from], isFiller) == "") {
			out[n-1].to = max(out[n-1].to, s.to)
			continue
		}
		out = append(out, s)
	}
	return out
}

func isFiller(r rune) bool { return r == ' ' || r == '.' || r == ',' || r == '-' }

// Keep makes an identifier stay as it is wherever it stands, or gives it
// another name.
func (t *Traces) Keep(id, becomes string) { t.keep[id] = becomes }

// Holds tells whether something of the person stands in a text.
func (t *Traces) Holds(text string) bool { return len(t.find(text)) > 0 }

// Scrub returns a text without the person. Identifiers of which Keep was told
// are looked for first.
func (t *Traces) Scrub(text string) string {
	if looksLikeJSON(text) {
		return t.scrubJSON(text)
	}
	return t.scrub(text)
}

func (t *Traces) scrub(text string) string {
	if becomes, ok := t.keep[text]; ok {
		return becomes
	}
	var b strings.Builder
	rest := 0
	for _, id := range identifiers(text) {
		if becomes, ok := t.keep[text[id.from:id.to]]; ok {
			b.WriteString(t.blot(text[rest:id.from]))
			b.WriteString(becomes)
			rest = id.to
		}
	}
	b.WriteString(t.blot(text[rest:]))
	return b.String()
}

func (t *Traces) blot(text string) string {
	found := t.find(text)
	if len(found) == 0 {
		return text
	}
	var b strings.Builder
	rest := 0
	for _, s := range found {
		b.WriteString(text[rest:s.from])
		b.WriteString(Erased)
		rest = s.to
	}
	b.WriteString(text[rest:])
	return b.String()
}

// identifiers returns the stretches of a text that may be an identifier of
// something.
func identifiers(text string) (all []span) {
	from := -1
	for i, r := range text + "\n" {
		in := r == '-' || r == '_' || unicode.IsLetter(r) || unicode.IsDigit(r)
		switch {
		case in && from < 0:
			from = i
		case !in && from >= 0:
			all = append(all, span{from, i})
			from = -1
		}
	}
	return all
}

func looksLikeJSON(text string) bool {
	return len(text) > 1 && (text[0] == '{' || text[0] == '[') && json.Valid([]byte(text))
}

// scrubJSON scrubs every text of a JSON value and leaves all else as it is, byte
// for byte. The name of a member is a program's word, unless it can't be.
func (t *Traces) scrubJSON(text string) string {
	var b strings.Builder
	for len(text) > 0 {
		begin := strings.IndexByte(text, '"')
		if begin < 0 {
			break
		}
		b.WriteString(text[:begin])
		end := begin + 1
		for text[end] != '"' { // it is valid
			if text[end] == '\\' {
				end++
			}
			end++
		}
		literal := text[begin : end+1]
		text = text[end+1:]
		var value string
		_ = json.Unmarshal([]byte(literal), &value) // it is valid
		if strings.HasPrefix(strings.TrimLeft(text, " \t\r\n"), ":") && codePattern.MatchString(value) {
			b.WriteString(literal)
			continue
		}
		if clean := t.Scrub(value); clean != value {
			body, _ := json.Marshal(clean) // a string
			literal = string(body)
		}
		b.WriteString(literal)
	}
	b.WriteString(text)
	return b.String()
}

// Near returns the words of a text that hold a word of the name in them and are
// left: a person can tell whether they are about the same one.
func (t *Traces) Near(text string) (left []string) {
	for _, w := range words(text) {
		for name := range t.lone {
			if len(name) >= loneLetters && w.text != name && strings.Contains(w.text, name) && !t.isLone(w.text) {
				left = append(left, text[w.from:w.to])
				break
			}
		}
	}
	return left
}
