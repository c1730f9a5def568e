package web_test

import (
	"testing"

	"github.com/stretchr/testify/require"

	"dewpost/rules/fact"
)

// Exporting and erasing, without scripts.
func TestErasingInABrowser(t *testing.T) {
	s := newGuardedSite(t)
	require.NoError(t, s.store.AddFacts(t.Context(), []fact.Fact{
		said(fact.KindOwner, "ida", fact.Name, "Ida Example-Longestname-Of-Them-All"), said(fact.KindOwner, "ida", fact.Contact, "ida.example.with.a.long.address@lake.example, 0170 5550123, 3 Mill Row"),
		said(fact.KindSite, "lake", fact.Owner, "ida"), said(fact.KindStation, "lake-07", fact.Name, "At the Examples, behind the boathouse, where the path to the water begins"),
	}))
	b := newBrowser(t, s)
	b.refusals = true
	b.withoutScripts()
	b.open("/sign-in", 390, "light")
	b.fill("main button", "#name", "Ruth", "#password", runners)
	b.until("location.pathname === '/'")
	const done = "document.readyState === 'complete'"
	widths := []int64{320, 390, 1280}
	b.everyLook("export", "/export", widths, done, func() { b.fields() })
	b.everyLook("erase", "/erase", widths, done, func() { b.fields() })

	b.open("/erase", 320, "light")
	b.fill("main button", "#owner", "ida", "#keep_ids", "ida")
	b.until("document.querySelector('#would')")
	b.fields()
	require.LessOrEqual(t, eval[int64](b, "document.documentElement.scrollWidth"), int64(320))
	b.shot("erase-would-320-light")
	b.fill("section[aria-labelledby=would] button", "#confirm", "idaa")
	b.until("document.querySelector('[role=alert]')")
	require.Contains(t, b.text("[role=alert]"), "once more")
	b.fill("section[aria-labelledby=would] button", "#confirm", "ida")
	b.until("document.querySelector('#done')")
	require.Contains(t, b.text("[role=status]"), "Owner ida: 2 facts deleted, 2 texts changed.")
	b.shot("erase-done-320-light")
	b.open("/erase", 1280, "dark")
	b.shot("erase-list-1280-dark")
}
