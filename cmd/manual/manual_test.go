package manual

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/alecthomas/kong"
	"github.com/stretchr/testify/require"
)

type sample struct {
	Box struct {
		Config string `short:"c" placeholder:"FILE" help:"Of every box."`
		Open   struct {
			ID   string `arg:"" help:"Which 'box'."`
			With string `required:"" enum:"key,lever" help:"With \\what."`
		} `cmd:"" help:"Open it."`
		Shut struct {
			How string `arg:"" optional:"" enum:",softly,hard" default:"" help:"How."`
		} `cmd:"" help:".Shut it."`
	} `cmd:"" help:"Boxes."`
	Secret struct{} `cmd:"" hidden:"" help:"Nobody sees it."`
	Page   Page     `cmd:"" help:"Print it."`
}

func model(t *testing.T) *kong.Application {
	t.Helper()
	k, err := kong.New(&sample{}, kong.Name("dewpost-box"), kong.Description("Opens boxes."))
	require.NoError(t, err)
	return k.Model
}

func TestPage(t *testing.T) {
	var b strings.Builder
	require.NoError(t, Page{Date: "2026-11-28"}.Write(&b, model(t), []Section{{Title: "FILES", Items: []Item{{"/etc/box", "Here."}}}, {Title: "CAUTION", Text: "Mind it."}}))
	text := b.String()
	for _, want := range []string{
		`.TH "DEWPOST\-BOX" 1 "2026-11-28" "dewpost `,
		"\n.SH \"NAME\"\ndewpost\\-box \\- opens boxes\n",
		".SS \"dewpost\\-box box open \\-\\-with=STRING <id> [flags]\"\nOpen it.\n",
		".TP\n.B \"<id>\"\nWhich \\(aqbox\\(aq.\n",
		".B \"\\-\\-with=STRING\"\nWith \\ewhat.\n",
		"\n\\&.Shut it.\n",
		".B \"\\-c, \\-\\-config=FILE\"\nOf every box.\n",
		".SH \"FILES\"\n.TP\n.B \"/etc/box\"\nHere.\n",
		".SH \"CAUTION\"\nMind it.\n",
	} {
		require.Contains(t, text, want)
	}
	require.NotContains(t, text, "Nobody sees it")
}

func TestPageOfSettings(t *testing.T) {
	path := filepath.Join(t.TempDir(), "box.toml")
	require.NoError(t, os.WriteFile(path, []byte("# What it is.\nkey = \"a\\\\b\"\n\n.dot\n"), 0o600))
	var b strings.Builder
	require.NoError(t, Page{Settings: path}.Write(&b, model(t), nil))
	require.Contains(t, b.String(), "/etc/dewpost\\-box/box.toml")
	require.Contains(t, b.String(), ".nf\n# What it is.\nkey = \"a\\e\\eb\"\n\n\\&.dot\n.fi\n")
	require.ErrorContains(t, Page{Settings: path + "x"}.Write(&b, model(t), nil), "settings: ")
}

func TestVersion(t *testing.T) {
	require.NotEmpty(t, Version())
	release = "1.2.3"
	t.Cleanup(func() { release = "" })
	require.Equal(t, "1.2.3", Version())
}
