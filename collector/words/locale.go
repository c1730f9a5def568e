package words

import (
	_ "embed"
	"fmt"
	"io"
	"slices"
	"strings"
	"sync"
	"time"

	"golang.org/x/text/language"

	"dewpost/rules/alarm"
	"dewpost/rules/finding"
)

// Locale is how one person reads: in which language, and how numbers and
// temperatures are written. The zero value is of no use; English is the one that
// programs and letters read.
type Locale struct {
	Language   string // its code, ISO 639-1: en or de
	Comma      bool   // 1.234,5 instead of 1,234.5
	Fahrenheit bool

	lexicon *lexicon
}

// lexicon is where a language's words are from: they are read when somebody first
// asks, for most programs speak one language, and to read another takes as long as
// what they are called for.
type lexicon struct{ read func() *Language }

func (l *Locale) words() *Language { return l.lexicon.read() }

//go:embed de.toml
var de string

// languages are those that there are, English first.
var languages = []Locale{
	{Language: "en", lexicon: &lexicon{func() *Language { return &english }}},
	{Language: "de", Comma: true, lexicon: &lexicon{sync.OnceValue(func() *Language {
		l := must(Read(de))
		return &l
	})}},
}

// English is for whoever said nothing else.
var English = &languages[0]

// Languages returns the codes of all languages.
func Languages() (codes []string) {
	for i := range languages {
		codes = append(codes, languages[i].Language)
	}
	return codes
}

// In returns a copy of the locale of a language; ok is false when there is none.
func In(code string) (l Locale, ok bool) {
	i := slices.IndexFunc(languages, func(l Locale) bool { return l.Language == code })
	if i < 0 {
		return *English, false
	}
	return languages[i], true
}

var matcher = language.NewMatcher([]language.Tag{language.English, language.German})

// Wanted chooses the language for a browser's header Accept-Language (RFC 9110
// section 12.5.4); one that says nothing of use gets English.
func Wanted(header string) Locale {
	tags, _, err := language.ParseAcceptLanguage(header)
	if err != nil {
		return *English
	}
	_, i, _ := matcher.Match(tags...)
	return languages[i]
}

// Say writes a sentence in the person's language: text is English with the verbs
// of package fmt, and the key by which its translation is found. One without a
// translation stays English.
func (l *Locale) Say(text string, args ...any) string {
	said, ok := l.words().Said[text]
	if !ok {
		said = text
	}
	if len(args) == 0 {
		return strings.ReplaceAll(said, "%%", "%")
	}
	if l.Comma {
		args = slices.Clone(args)
		for i, arg := range args {
			if x, ok := arg.(float64); ok {
				args[i] = withComma(x)
			}
		}
	}
	return fmt.Sprintf(said, args...)
}

// withComma is a number that is written with a comma.
type withComma float64

// Format writes it as a float64 is written, but for the comma.
func (x withComma) Format(f fmt.State, verb rune) {
	_, _ = io.WriteString(f, strings.Replace(fmt.Sprintf(fmt.FormatString(f, verb), float64(x)), ".", ",", 1))
}

// Code writes a recorded word, such as under-way, as people say it.
func (l *Locale) Code(code string) string {
	return l.Say(strings.NewReplacer("-", " ", "_", " ").Replace(code))
}

// Codes writes several recorded words.
func Codes[T ~string](l *Locale, codes []T) (all []string) {
	for _, code := range codes {
		all = append(all, l.Code(string(code)))
	}
	return all
}

// Said returns the translation of a text, and whether there is one. English has
// none.
func (l *Locale) Said(text string) (string, bool) {
	said, ok := l.words().Said[text]
	return said, ok
}

// Translated returns all texts that are translated, as they are in English.
func (l *Locale) Translated() map[string]string { return l.words().Said }

// Kind returns what a kind of finding says.
func (l *Locale) Kind(kind finding.Kind) Kind {
	if k, ok := l.words().Kinds[kind]; ok {
		return k
	}
	return l.words().Other
}

// Cause returns what a common cause says.
func (l *Locale) Cause(scope alarm.Scope) Cause { return l.words().Causes[scope] }

// Cautions returns what can hurt on the way to any of these, each sentence once:
// what is said of every opening of a station comes first.
func (l *Locale) Cautions(kinds []finding.Kind) string {
	var all []string
	for _, kind := range kinds {
		text := l.Kind(kind).Caution
		if rest, ok := strings.CutPrefix(text, l.words().Opening); ok {
			if !slices.Contains(all, l.words().Opening) {
				all = slices.Insert(all, 0, l.words().Opening)
			}
			text = strings.TrimSpace(rest)
		}
		if text != "" && !slices.Contains(all, text) {
			all = append(all, text)
		}
	}
	return strings.Join(all, " ")
}

// Lower writes words as they stand inside a sentence. German keeps its capitals:
// they are of nouns.
func (l *Locale) Lower(text string) string {
	if l.Language == "de" {
		return text
	}
	return strings.ToLower(text)
}

// Format writes a time by a layout of package time, with the names of days and
// months in the person's language. The layout is translated like a sentence.
func (l *Locale) Format(t time.Time, layout string) string {
	if said, ok := l.words().Said[layout]; ok {
		layout = said
	}
	if len(l.words().Days) == 0 {
		return t.Format(layout)
	}
	// Names are put in behind the formatting, so that no letter of theirs is
	// taken for a part of the layout.
	day, month := l.words().Days[t.Weekday()], l.words().Months[t.Month()-1]
	return strings.NewReplacer("\x01", day, "\x02", short(day, 2), "\x03", month, "\x04", shortMonth(month)).
		Replace(t.Format(strings.NewReplacer("Monday", "\x01", "Mon", "\x02", "January", "\x03", "Jan", "\x04").Replace(layout)))
}

func short(name string, letters int) string { return string([]rune(name)[:letters]) }

// shortMonth cuts a month's name after three letters, with a full stop (DIN 5008).
// One that is no longer than four stays.
func shortMonth(name string) string {
	if len([]rune(name)) <= 4 {
		return name
	}
	return short(name, 3) + "."
}

// Number writes a number as the person does: text is in English, as in 1,234.5.
func (l *Locale) Number(text string) string {
	if !l.Comma {
		return text
	}
	return strings.NewReplacer(",", ".", ".", ",").Replace(text)
}

// Plain reads a number that a person wrote into a form, and returns it with a
// point.
func (l *Locale) Plain(text string) string {
	if l.Comma && strings.Count(text, ",") == 1 && !strings.Contains(text, ".") {
		return strings.Replace(text, ",", ".", 1)
	}
	return text
}

// Temp converts °C for the person; unit is theirs.
func (l *Locale) Temp(c float64) (value float64, unit string) {
	if l.Fahrenheit {
		return c*9/5 + 32, "°F"
	}
	return c, "°C"
}

// Warmth converts a difference of temperatures in K for the person.
func (l *Locale) Warmth(k float64) (value float64, unit string) {
	if l.Fahrenheit {
		return k * 9 / 5, "°F"
	}
	return k, "K"
}
