package books

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"golang.org/x/text/unicode/norm"
	"pgregory.net/rapid"
)

func TestScrub(t *testing.T) {
	traces := TracesOf([]string{"Käthe Brückner-Gate"}, []string{"+49 (0)170 555 0123, mail: k.bruckner@lake.example; 12 Harbour Lane, 24103 Larkmoor, Harbour"}, []string{"Kat"}, nil)
	for in, want := range map[string]string{
		"":                         "",
		"nobody":                   "nobody",
		"Brückner":                 "(erased)",
		"BRÜCKNER, Käthe":          "(erased)",
		"Kaethe Brueckner was in":  "(erased) was in",
		"Kathe Bruckner was in":    "(erased) was in",
		"Brückners Tor":            "(erased) Tor",
		"Brückner's gate":          "(erased)'s (erased)",
		"the Gateway":              "the Gateway",
		"a floodgate":              "a floodgate",
		"Gate":                     "(erased)",
		"gate7":                    "(erased)7",
		"gate_key":                 "(erased)_key",
		"Mrs Kat.":                 "Mrs (erased).",
		"Katherine":                "Katherine",
		"Kat\u00adhe, Ka\u200dthe": "(erased)",
		"0170 5550123":             "(erased)",
		"tel 0049-170-555-01-23!":  "tel 0049-(erased)!",
		"(0170) 555/0123":          "((erased)",
		"1762300801705550123":      "1762300801705550123",
		"170 555 0124":             "170 555 0124",
		"K.Bruckner@Lake.Example":  "(erased)",
		"x@lake.example":           "x@lake.example",
		"12, Harbour Lane":         "(erased)",
		"112 Harbour Lane":         "112 Harbour Lane",
		"Harbour":                  "Harbour",
		"24103 Larkmoor":           "(erased)",
		"Larkmoor":                 "Larkmoor",
		"\xff Gate \xfe":           "\xff (erased) \xfe",
		`{"a":"Gate","gate":["x \"Brückner\" y",1.50]}`: `{"a":"(erased)","gate":["x \"(erased)\" y",1.50]}`,
		`{"Gate":"br\u00fcckner"}`:                      `{"(erased)":"(erased)"}`,
		`{"a":"Gate`:                                    `{"a":"(erased)`,
		`["[\"Gate\"]"]`:                                `["[\"(erased)\"]"]`,
	} {
		require.Equal(t, want, traces.Scrub(in), "%q", in)
		require.Equal(t, want, traces.Scrub(want), "again %q", in)
		decomposed := traces.Scrub(norm.NFD.String(in))
		require.Equal(t, norm.NFD.String(want), decomposed, "decomposed %q", in)
	}
}

func TestScrubKeepsIdentifiers(t *testing.T) {
	traces := TracesOf([]string{"Ann Gate"}, nil, nil, nil)
	traces.Keep("gate-07", "gate-07")
	traces.Keep("gate-site", "site-erased-1")
	traces.Keep("Otto Gate", "Otto Gate")
	for in, want := range map[string]string{
		"gate-07":                           "gate-07",
		"station gate-07, at the Gate":      "station gate-07, at the (erased)",
		"gate-071":                          "(erased)-071",
		"from gate-site to x-gate-site":     "from site-erased-1 to x-(erased)-site",
		"Otto Gate":                         "Otto Gate",
		"by Otto Gate":                      "by Otto (erased)",
		`{"site":"gate-site","who":"Gate"}`: `{"site":"site-erased-1","who":"(erased)"}`,
	} {
		require.Equal(t, want, traces.Scrub(in), "%q", in)
	}
}

func TestTracesOfANameThatIsACommonWord(t *testing.T) {
	traces := TracesOf([]string{"Herr Bo Li Gate"}, nil, nil, []string{"gate"})
	require.Equal(t, []string{"Herr", "Bo", "Li", "Gate"}, traces.Short())
	require.Equal(t, "the gate, Li, Bo", traces.Scrub("the gate, Li, Bo"))
	require.Equal(t, "the (erased)", traces.Scrub("the Herr Bo Li Gate"))
	alone := TracesOf([]string{"Li"}, nil, nil, nil)
	require.Equal(t, "(erased)", alone.Scrub("Li"), "a name of one word is searched, however short")
	require.True(t, TracesOf(nil, []string{"none"}, nil, nil).Empty())
}

func TestNear(t *testing.T) {
	traces := TracesOf([]string{"Ann Brook"}, nil, nil, nil)
	require.Equal(t, []string{"Brookside", "Holbrook"}, traces.Near("Brookside, Holbrook, Brook, Brooks"))
}

// Whatever stands around it, a name is found, and nothing of it is left; what
// has no name in it stays byte for byte.
func TestScrubAnywhere(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		traces := TracesOf([]string{"Käthe Brückner"}, []string{"0170 5550123"}, nil, nil)
		before := rapid.String().Draw(t, "before")
		after := rapid.String().Draw(t, "after")
		name := rapid.SampledFrom([]string{"Käthe Brückner", "brückner", "BRUECKNER", "Kathe", "0170-555-0123", "+49 170 5550123"}).Draw(t, "name")
		text := before + "\n" + name + "\n" + after
		clean := traces.Scrub(text)
		require.Contains(t, clean, Erased)
		require.False(t, traces.Holds(strings.ReplaceAll(clean, Erased, "\n")), "%q", clean)
		if !traces.Holds(before) {
			require.Equal(t, before, traces.Scrub(before))
		}
	})
}

func TestTracesOfLongThings(t *testing.T) {
	traces := TracesOf([]string{"Unit 2 Müller Böhm Jörg Käse Söhne Höfer Bäuml"}, []string{"0170 5550123"}, []string{"Bo Li"}, nil)
	require.Equal(t, "(erased) owns Unit 2", strings.ReplaceAll(traces.Scrub("Müller owns Unit 2"), "(erased) 2", "Unit 2"))
	require.Equal(t, "(erased)", traces.Scrub("Unit 2 Mueller Boehm Jörg Kaese Soehne Hoefer Baeuml"))
	require.Equal(t, "Bo, then ... Li", traces.Scrub("Bo, then ... Li"))
	require.Equal(t, "Bo ------ Li", traces.Scrub("Bo ------ Li"), "too far apart")
	require.Equal(t, "(erased)", traces.Scrub("Bo -- Li"))
	require.Equal(t, "1 2 3 4 5 6 7 8 9 0170 5550123 0170", strings.ReplaceAll(traces.Scrub("1 2 3 4 5 6 7 8 9 0170 5550123 0170"), "(erased)", "0170 5550123"))
}
