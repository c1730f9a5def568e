package words

import (
	"cmp"
	"regexp"
	"slices"
	"strings"
)

// What rules and books say of their numbers comes as English sentences, which the
// API has as they are and plans keep. For pages they are told again: a sentence is
// found by its form, and what stands in its gaps is told again, too.

// retold is one form of sentence.
type retold struct {
	form *regexp.Regexp
	said string
}

var (
	gaps    = regexp.MustCompile(`\{[0-9]+\}`)
	figures = regexp.MustCompile(`^[-−+]?[0-9]+([.][0-9]+)?$`)
	ends    = regexp.MustCompile(`[.!?] +[A-Z]`)
)

// forms makes what is searched for out of a language's sentences: the longest come
// first, so that none hides a more exact one.
func forms(sentences map[string]string) (all []retold) {
	keys := make([]string, 0, len(sentences))
	for key := range sentences {
		keys = append(keys, key)
	}
	slices.SortFunc(keys, func(a, b string) int { return cmp.Or(cmp.Compare(len(b), len(a)), cmp.Compare(a, b)) })
	for _, key := range keys {
		var form strings.Builder
		form.WriteString("^")
		at := 0
		for _, gap := range gaps.FindAllStringIndex(key, -1) {
			form.WriteString(regexp.QuoteMeta(key[at:gap[0]]) + "(.+?)")
			at = gap[1]
		}
		form.WriteString(regexp.QuoteMeta(key[at:]) + "$")
		all = append(all, retold{regexp.MustCompile(form.String()), sentences[key]})
	}
	return all
}

// Retell tells sentences of rules and books in the person's language, as far as
// their form is known; what isn't stays English.
func (l *Locale) Retell(text string) string {
	if len(l.words().Retold) == 0 || text == "" {
		return text
	}
	if end := ends.FindStringIndex(text); end != nil {
		return l.sentence(text[:end[0]+1]) + " " + l.Retell(text[end[1]-1:])
	}
	return l.sentence(text)
}

// RetellAll tells several again.
func (l *Locale) RetellAll(all []string) []string {
	out := make([]string, len(all))
	for i := range all {
		out[i] = l.Retell(all[i])
	}
	return out
}

func (l *Locale) sentence(text string) string {
	if figures.MatchString(text) {
		return l.Number(text)
	}
	if said, ok := l.words().Said[text]; ok {
		return said
	}
	for _, r := range l.words().forms() {
		found := r.form.FindStringSubmatch(text)
		if found == nil {
			continue
		}
		return gaps.ReplaceAllStringFunc(r.said, func(gap string) string {
			return l.sentence(found[gap[1]-'0'])
		})
	}
	return text
}

// Retellings returns the forms of sentences that are told again, with how.
func (l *Locale) Retellings() map[string]string { return l.words().Retold }
