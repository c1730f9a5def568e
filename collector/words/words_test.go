package words

import (
	"os"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"dewpost/rules/alarm"
	"dewpost/rules/finding"
)

func TestEveryLanguageIsComplete(t *testing.T) {
	require.Equal(t, english.Kinds[finding.WaterInside], Of(finding.WaterInside))
	require.Equal(t, english.Other, Of("newer"))
	require.Equal(t, "Nothing arrives", english.Causes[alarm.Workshop].Name)
	text, err := os.ReadFile("de.toml")
	require.NoError(t, err)
	german, err := Read(string(text))
	require.NoError(t, err)
	gap := regexp.MustCompile(`\{[a-z]+\}`)
	gaps := func(texts ...string) []string {
		all := gap.FindAllString(strings.Join(texts, " "), -1)
		slices.Sort(all)
		return all
	}
	for kind, e := range english.Kinds {
		g := german.Kinds[kind]
		require.Equal(t, gaps(e.Verdict, e.Card, e.Why), gaps(g.Verdict, g.Card, g.Why), "%s", kind)
		require.NotContains(t, e.Caution+g.Caution, "{opening}")
		require.Regexp(t, `\.$`, g.Verdict)
		require.NotRegexp(t, `\.$`, g.Action)
		require.Len(t, g.Steps, len(e.Steps), "%s", kind)
		for language, how := range map[string]string{"judgement|clock|came true|no source": e.How, "Urteil|Uhr|eintraf|keine Quelle": g.How} {
			require.Regexp(t, `^[A-ZÄÖÜ].*\.$`, how)
			require.Regexp(t, language, how, "%s: a limit has no source, or another measure is named", kind)
			require.Empty(t, gaps(how))
		}
		for _, step := range slices.Concat(e.Steps, g.Steps) {
			require.Regexp(t, `^[A-ZÄÖÜ].*\.$`, step)
		}
	}
	for scope, e := range english.Causes {
		require.Equal(t, gaps(e.Verdict), gaps(german.Causes[scope].Verdict), "%s", scope)
	}
}

func TestIncompleteWordsAreRefused(t *testing.T) {
	cut := func(line string) string { return strings.Replace(en, line, "", 1) }
	for text, want := range map[string]string{
		"= 1":                    "expected",
		en + "\n[more]\nx = 1":   "no such words",
		cut(`opening = "Switch`): "expected",
		strings.Replace(en, `opening = "Switch`, `opening = "" # `, 1):                       "opening: it is missing",
		cut("name = \"Water inside\"\n"):                                                     "kind.water_inside.name: it is missing",
		cut("    \"Read the evidence, look at the unit, and write down what is found.\",\n"): "other.steps: it is missing",
		cut("name = \"Finding\"\n"):                                                          "other.name: it is missing",
		cut("name = \"A site is quiet\"\n"):                                                  "cause.site.name: it is missing",
		en + "\n[kind.hunger]\nname = \"x\"\n":                                               "what doesn't exist",
	} {
		_, err := Read(text)
		require.ErrorContains(t, err, want)
	}
	require.Panics(t, func() { must(Read("")) })
}

// What hurts on the way is said once, however many kinds say it.
func TestCautionsOfSeveral(t *testing.T) {
	require.Empty(t, English.Cautions(nil))
	all := English.Cautions([]finding.Kind{finding.NoCurrent, finding.BoardWet, finding.WaterInside, finding.SensorSuspect, finding.BoardWet})
	require.True(t, strings.HasPrefix(all, english.Opening), "that of opening first")
	for _, once := range []string{english.Opening, "Mains wiring", "Salt solution"} {
		require.Equal(t, 1, strings.Count(all, once), once)
	}
}
