package web

import (
	"math"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

var colourRule = regexp.MustCompile(`--([a-z]+): (#[0-9a-f]{6});`)

// colours reads the colours of the first rule behind a mark in the style.
func colours(t *testing.T, style, mark string) map[string]string {
	t.Helper()
	_, rest, ok := strings.Cut(style, mark)
	require.True(t, ok, mark)
	rule, _, ok := strings.Cut(rest, "}")
	require.True(t, ok)
	all := map[string]string{}
	for _, m := range colourRule.FindAllStringSubmatch(rule, -1) {
		all[m[1]] = m[2]
	}
	return all
}

// luminance is the relative luminance of WCAG 2.2.
func luminance(t *testing.T, colour string) float64 {
	t.Helper()
	n, err := strconv.ParseUint(colour[1:], 16, 32)
	require.NoError(t, err)
	part := func(shift uint) float64 {
		c := float64(n>>shift&0xff) / 255
		if c <= 0.04045 {
			return c / 12.92
		}
		return math.Pow((c+0.055)/1.055, 2.4)
	}
	return 0.2126*part(16) + 0.7152*part(8) + 0.0722*part(0)
}

func contrast(t *testing.T, a, b string) float64 {
	t.Helper()
	x, y := luminance(t, a), luminance(t, b)
	return (max(x, y) + 0.05) / (min(x, y) + 0.05)
}

// Text can be read in both themes: WCAG 2.2 AA asks for 4.5.
func TestContrast(t *testing.T) {
	body, err := embedded.ReadFile("static/style.css")
	require.NoError(t, err)
	style := string(body)
	light := colours(t, style, ":root {")
	dark := colours(t, style, "(prefers-color-scheme: dark) {\n\t:root:not([data-theme=light]) {")
	require.Equal(t, dark, colours(t, style, ":root[data-theme=dark] {"), "the same, whoever chose it")
	require.Equal(t, "#faf7f0", light["paper"])
	require.InDelta(t, 14.5, contrast(t, light["ink"], light["paper"]), 0.05, "the formula agrees with the figures that the colours were chosen by")
	for name, theme := range map[string]map[string]string{"light": light, "dark": dark} {
		for _, text := range []string{"ink", "muted", "water", "rust"} {
			require.GreaterOrEqual(t, contrast(t, theme[text], theme["paper"]), 4.5, "%s %s", name, text)
		}
		require.GreaterOrEqual(t, contrast(t, theme["water"], theme["wash"]), 4.5, "%s: hours on the wash", name)
		require.GreaterOrEqual(t, contrast(t, theme["water"], theme["cap"]), 1.5, "%s: a column and its cap", name)
		t.Logf("%s: ink %.1f muted %.1f water %.1f rust %.1f", name, contrast(t, theme["ink"], theme["paper"]),
			contrast(t, theme["muted"], theme["paper"]), contrast(t, theme["water"], theme["paper"]), contrast(t, theme["rust"], theme["paper"]))
	}
}

func TestFourSizesOfType(t *testing.T) {
	body, err := embedded.ReadFile("static/style.css")
	require.NoError(t, err)
	screen, _, ok := strings.Cut(string(body), "@media print")
	require.True(t, ok)
	sizes := map[string]bool{}
	for _, m := range regexp.MustCompile(`font-size: ([^;]+);|font: (?:bold )?([^/ ;]+)[/ ]`).FindAllStringSubmatch(screen, -1) {
		sizes[m[1]+m[2]] = true
	}
	require.Equal(t, map[string]bool{"1rem": true, "var(--big)": true, "var(--mid)": true, "var(--small)": true}, sizes)
}
