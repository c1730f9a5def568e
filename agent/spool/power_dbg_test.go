package spool
import ("fmt";"testing")
func TestDbg(t *testing.T) {
	p := &power{t: t, seed: 1, scale: powerScales["quick"]}
	x := p.session(2)
	x.disk.failAt, x.disk.how = 281, powerRefused
	x.work(p.scale.acts)
	for i := 140; i < 180; i++ {
		a := x.disk.log[i]
		fmt.Println(i, a.op, a.name, a.to, len(a.data), a.failed, a.chain)
	}
	for _, s := range x.steps { if s.to > 140 && s.from < 180 { fmt.Println(s.from, s.to, s.before.status, s.after.status, s.after.loose) } }
}
