package web

import (
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"maps"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"dewpost/collector/words"
)

func TestTranslate(t *testing.T) {
	say := func(sentence string) string {
		said, ok := map[string]string{
			"From {1} and lasting":        "Seit {1}, dauert an",
			"And {1} earlier: {2}as JSON": "Dazu {1} frühere: {2}als JSON",
			"Nights of":                   "Nächte im",
			"to":                          "bis",
			"{1} of {2}":                  "von {2} {1}",
		}[sentence]
		require.True(t, ok, sentence)
		return said
	}
	for source, want := range map[string]string{
		"":             "",
		"<p>{{.}}</p>": "<p>{{.}}</p>",
		"<p>From {{.A}} and\n\tlasting {{.B}}</p>":                          "<p>Seit {{.A}}, dauert an {{.B}}</p>",
		`<p>And {{.}} earlier: <a href="?a=1&amp;b={{.}}">as JSON</a>.</p>`: `<p>Dazu {{.}} frühere: <a href="?a=1&amp;b={{.}}">als JSON</a>.</p>`,
		`<div class="to" aria-label="Nights of {{.Name}}"></div>`:           `<div class="to" aria-label="Nächte im {{.Name}}"></div>`,
		"{{if .A}}to {{.A}}{{else}}<b>to</b>{{end}}":                        "{{if .A}}bis {{.A}}{{else}}<b>bis</b>{{end}}",
		"<!-- to --><style>to</style>to":                                    "<!-- to --><style>to</style>bis",
	} {
		require.Equal(t, want, translate(source, say))
	}
	require.Equal(t, "<p>{{.A}} of {{.B}}</p>", translate("<p>{{.A}} of {{.B}}</p>", func(s string) string { return s }))
	require.Equal(t, "a{9}", translate("a", func(string) string { return "a{9}" }), "a gap that isn't there stays to be seen")
}

// texts are all English texts that pages may say, with where they stand.
func texts(t *testing.T) map[string]string {
	all := make(map[string]string)
	names, err := fs.Glob(templates, "templates/*.html")
	require.NoError(t, err)
	titled := regexp.MustCompile(`entries "[^"]*" "([^"]*)"`)
	for _, name := range names {
		source, err := fs.ReadFile(templates, name)
		require.NoError(t, err)
		translate(string(source), func(sentence string) string {
			all[sentence] = name
			return sentence
		})
		for _, m := range titled.FindAllStringSubmatch(string(source), -1) {
			all[m[1]] = name
		}
	}
	files, err := filepath.Glob("*.go")
	require.NoError(t, err)
	for _, name := range files {
		if !strings.HasSuffix(name, "_test.go") {
			inGo(t, name, all)
		}
	}
	papers, err := filepath.Glob("../paper/*.go")
	require.NoError(t, err)
	for _, name := range append(papers, "../words/visit.go", "../words/evidence.go") {
		if !strings.HasSuffix(name, "_test.go") {
			inGo(t, name, all)
		}
	}
	scripts, err := filepath.Glob("static/*.js")
	require.NoError(t, err)
	inScript := regexp.MustCompile(`\bt\('((?:[^'\\]|\\.)*)'\)`)
	for _, name := range scripts {
		source, err := os.ReadFile(name)
		require.NoError(t, err)
		for _, m := range inScript.FindAllStringSubmatch(string(source), -1) {
			all[m[1]] = name
		}
	}
	for _, folder := range []string{".", "../books", "../door", "../store", "../calendar", "../importer", "../../rules/fact", "../../rules/coating", "../../rules/bench", "../../rules/stock", "../../rules/logfile"} {
		refusals(t, folder, all)
	}
	for _, text := range spokenCodes() {
		if _, ok := all[text]; !ok {
			all[text] = "a recorded word"
		}
	}
	return all
}

// tables are the variables of the package whose strings are said to people.
var tables = regexp.MustCompile(`(Names|Words|Titles|Terms|OfMoves|OfOutlook)$|^(coatingLimits|coatingAir|kindPaths|menu|smallNumbers)$`)

// inGo adds what one file says: first arguments of Say, layouts of Format, nouns
// that are counted, titles and fixes of problems, and tables of words.
func inGo(t *testing.T, name string, all map[string]string) {
	file, err := parser.ParseFile(token.NewFileSet(), name, nil, 0)
	require.NoError(t, err)
	add := func(e ast.Expr) (string, bool) {
		lit, ok := e.(*ast.BasicLit)
		if !ok || lit.Kind != token.STRING {
			return "", false
		}
		text, err := strconv.Unquote(lit.Value)
		require.NoError(t, err)
		if letter.MatchString(text) {
			all[text] = name
		}
		return text, letter.MatchString(text)
	}
	ast.Inspect(file, func(n ast.Node) bool {
		switch x := n.(type) {
		case *ast.GenDecl:
			for _, spec := range x.Specs {
				v, ok := spec.(*ast.ValueSpec)
				if ok && x.Tok == token.VAR && tables.MatchString(v.Names[0].Name) && !slices.Contains([]string{"eraseNames", "bookNames"}, v.Names[0].Name) {
					inTable(v.Values, add)
				}
			}
		case *ast.CallExpr:
			switch called := calleeName(x.Fun); called {
			case "Say", "count", "countOf", "plural":
				for i, arg := range x.Args {
					if called == "Say" && i > 0 {
						continue
					}
					if text, ok := add(arg); ok && strings.HasPrefix(called, "count") {
						all[text+"s"] = name
					}
				}
			case "Format":
				if len(x.Args) == 2 {
					add(x.Args[1])
				}
			}
		}
		return true
	})
}

// refusals adds what the code of a folder says when something is wrong: titles and
// fixes that are whole sentences. Those with a value in them stay English, as the
// API has them.
func refusals(t *testing.T, folder string, all map[string]string) {
	files, err := filepath.Glob(filepath.Join(folder, "*.go"))
	require.NoError(t, err)
	require.NotEmpty(t, files, folder)
	for _, name := range files {
		if strings.HasSuffix(name, "_test.go") {
			continue
		}
		file, err := parser.ParseFile(token.NewFileSet(), name, nil, 0)
		require.NoError(t, err)
		add := func(e ast.Expr) {
			if lit, ok := e.(*ast.BasicLit); ok && lit.Kind == token.STRING {
				text, err := strconv.Unquote(lit.Value)
				require.NoError(t, err)
				if _, there := all[text]; !there && letter.MatchString(text) {
					all[text] = name
				}
			}
		}
		ast.Inspect(file, func(n ast.Node) bool {
			switch x := n.(type) {
			case *ast.KeyValueExpr:
				if key, ok := x.Key.(*ast.Ident); ok && (key.Name == "Fix" || key.Name == "Title" && folder == ".") {
					add(x.Value)
				}
			case *ast.CallExpr:
				if calleeName(x.Fun) == "refuse" && len(x.Args) > 1 {
					add(x.Args[len(x.Args)-1])
				}
			}
			return true
		})
	}
}

// inTable adds the values of a table, not its keys.
func inTable(values []ast.Expr, add func(ast.Expr) (string, bool)) {
	for _, v := range values {
		switch x := v.(type) {
		case *ast.CompositeLit:
			for _, e := range x.Elts {
				if kv, ok := e.(*ast.KeyValueExpr); ok {
					e = kv.Value
				}
				inTable([]ast.Expr{e}, add)
			}
		default:
			add(v)
		}
	}
}

func calleeName(e ast.Expr) string {
	switch x := e.(type) {
	case *ast.Ident:
		return x.Name
	case *ast.SelectorExpr:
		return x.Sel.Name
	}
	return ""
}

// codes in tables that are no words.
var noWords = regexp.MustCompile(`^(/|[a-z]+(_[a-z]+)*_(k|c|pct)$|#)`)

// Whatever a page can say is there in every language, and nothing else is; gaps and
// verbs are the same.
func TestEveryTextIsTranslated(t *testing.T) {
	all := texts(t)
	maps.DeleteFunc(all, func(text, _ string) bool { return noWords.MatchString(text) })
	verb := regexp.MustCompile(`%(?:\[[0-9]\])?[-+0-9.]*[a-zA-Z%]|\{[0-9]+\}`)
	plain := regexp.MustCompile(`\[[0-9]\]`)
	for _, code := range words.Languages()[1:] {
		l, _ := words.In(code)
		said := l.Translated()
		var missing, unused []string
		for text, where := range all {
			if said[text] == "" {
				missing = append(missing, strconv.Quote(text)+" # "+where)
			}
		}
		for text, translated := range said {
			if all[text] == "" {
				unused = append(unused, text)
			}
			want, got := verb.FindAllString(text, -1), verb.FindAllString(translated, -1)
			for i := range got {
				got[i] = plain.ReplaceAllString(got[i], "")
			}
			slices.Sort(want)
			slices.Sort(got)
			require.Equal(t, want, got, "%s: gaps of %q", code, text)
			require.NotContains(t, translated, "{{")
			require.NotContains(t, translated, "<")
		}
		slices.Sort(missing)
		slices.Sort(unused)
		if out := os.Getenv("MISSING_WORDS"); out != "" {
			require.NoError(t, os.WriteFile(out, []byte(strings.Join(missing, "\n")+"\n"), 0o600))
		}
		require.Empty(t, missing, "%s: write these into collector/words/%s.toml", code, code)
		require.Empty(t, unused, "%s: nobody says these", code)
	}
}
