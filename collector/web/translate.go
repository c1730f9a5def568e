package web

import (
	"regexp"
	"strconv"
	"strings"
)

// Templates are English. Their sentences are found by what stands between tags that
// begin a block and actions that decide: in a sentence, tags and actions that only
// show something are gaps {1}, {2} …, so that another language may put them
// elsewhere. A template of another language is made from the English one when the
// program starts.

var (
	markup = regexp.MustCompile(`(?s)<!--.*?-->|<(?:script|style)\b.*?</(?:script|style)>|<[^>]*>|\{\{.*?\}\}`)
	inline = regexp.MustCompile(`^</?(?:a|abbr|b|code|em|i|small|span|strong|time)\b`)
	decide = regexp.MustCompile(`^\{\{-?\s*(?:if|else|end|range|with|define|block)\b`)
	spoken = regexp.MustCompile(`( (?:alt|aria-label|placeholder|title|data-said)=")([^"]*)"`)
	anyGap = regexp.MustCompile(`\{[0-9]+\}`)
	letter = regexp.MustCompile(`\pL`)
	blanks = regexp.MustCompile(`[ \t\n]+`)
)

// translate returns a template's source with every sentence replaced by what say
// makes of it.
func translate(source string, say func(sentence string) string) string {
	var out strings.Builder
	var run []piece
	flush := func() {
		out.WriteString(sentence(run, say))
		run = run[:0]
	}
	at := 0
	for _, m := range markup.FindAllStringIndex(source, -1) {
		if m[0] > at {
			run = append(run, piece{source[at:m[0]], false})
		}
		at = m[1]
		token := source[m[0]:m[1]]
		if strings.HasPrefix(token, "<") {
			token = spoken.ReplaceAllStringFunc(token, func(attribute string) string {
				part := spoken.FindStringSubmatch(attribute)
				return part[1] + translate(part[2], say) + `"`
			})
		}
		if strings.HasPrefix(token, "{{") && !decide.MatchString(token) || inline.MatchString(token) {
			run = append(run, piece{token, true})
			continue
		}
		flush()
		out.WriteString(token)
	}
	run = append(run, piece{source[at:], false})
	flush()
	return out.String()
}

// piece is a stretch of text, or of markup that stands within a sentence.
type piece struct {
	text string
	gap  bool
}

func (p piece) says() bool { return !p.gap && letter.MatchString(p.text) }

// sentence translates one: what comes before its first words and after its last
// ones is left alone.
func sentence(run []piece, say func(string) string) string {
	var out strings.Builder
	first, last := len(run), -1
	for i, p := range run {
		if p.says() {
			first, last = min(first, i), i
		}
	}
	if last < 0 {
		for _, p := range run {
			out.WriteString(p.text)
		}
		return out.String()
	}
	for _, p := range run[:first] {
		out.WriteString(p.text)
	}
	var text strings.Builder
	var gaps []string
	for i := first; i <= last; i++ {
		switch {
		case !run[i].gap:
			text.WriteString(run[i].text)
		case i > first && run[i-1].gap:
			gaps[len(gaps)-1] += run[i].text
		default:
			gaps = append(gaps, run[i].text)
			text.WriteString("{" + strconv.Itoa(len(gaps)) + "}")
		}
	}
	raw := blanks.ReplaceAllString(text.String(), " ")
	key := strings.TrimSpace(raw)
	lead, tail := raw[:strings.Index(raw, key)], raw[strings.Index(raw, key)+len(key):]
	said := anyGap.ReplaceAllStringFunc(say(key), func(gap string) string {
		n, err := strconv.Atoi(strings.Trim(gap, "{}"))
		if err != nil || n < 1 || n > len(gaps) {
			return gap
		}
		return gaps[n-1]
	})
	out.WriteString(lead + said + tail)
	for _, p := range run[last+1:] {
		out.WriteString(p.text)
	}
	return out.String()
}
