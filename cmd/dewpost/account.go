package main

import (
	"bufio"
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"strings"
	"time"

	"golang.org/x/term"

	"dewpost/collector"
	"dewpost/collector/door"
	"dewpost/collector/record"
	"dewpost/collector/store"
	"dewpost/rules/unit"
)

type accountCmd struct {
	Add      accountAddCmd      `cmd:"" help:"Let a person sign in."`
	List     accountListCmd     `cmd:"" help:"List accounts."`
	Role     accountRoleCmd     `cmd:"" help:"Give an account another role; its sessions end."`
	Password accountPasswordCmd `cmd:"" help:"Give an account another password; its sessions end."`
	Remove   accountRemoveCmd   `cmd:"" help:"Remove an account; its sessions end, and the tokens that it made with them."`
}

// atDoor is what commands on accounts and tokens have in common.
type atDoor struct{ inStore }

func (c *atDoor) with(ctx context.Context, f func(*door.Door) error) error {
	return c.inStore.with(ctx, func(s *store.Store, _ collector.Config) error {
		return f(door.New(s, time.Now))
	})
}

// passwordFlag says where a password comes from; never from an argument, which
// other people on the machine can read.
type passwordFlag struct {
	PasswordFile string `placeholder:"FILE" help:"File that holds the password in its first line. Default: the terminal, or the first line of standard input."`
}

func (c *passwordFlag) read() (string, error) {
	if c.PasswordFile != "" {
		body, err := os.ReadFile(c.PasswordFile)
		if err != nil {
			return "", fmt.Errorf("--password-file: %w", err)
		}
		return firstLine(bytes.NewReader(body))
	}
	if !term.IsTerminal(int(os.Stdin.Fd())) {
		return firstLine(os.Stdin)
	}
	once, err := prompt("Password: ")
	if err != nil {
		return "", err
	}
	twice, err := prompt("Once more: ")
	if err != nil {
		return "", err
	}
	if once != twice {
		return "", errors.New("the two passwords differ: type the same twice")
	}
	return once, nil
}

// firstLine keeps spaces: they are part of a password.
func firstLine(r io.Reader) (string, error) {
	line, err := bufio.NewReader(io.LimitReader(r, 64<<10)).ReadString('\n')
	if err != nil && !errors.Is(err, io.EOF) {
		return "", fmt.Errorf("read password: %w", err)
	}
	return strings.TrimRight(line, "\r\n"), nil
}

func prompt(text string) (string, error) {
	fmt.Fprint(os.Stderr, text)
	line, err := term.ReadPassword(int(os.Stdin.Fd()))
	fmt.Fprintln(os.Stderr)
	if err != nil {
		return "", fmt.Errorf("read password: %w", err)
	}
	return string(line), nil
}

type accountAddCmd struct {
	atDoor
	passwordFlag
	Name string `arg:"" help:"What the person is called: letters, digits, spaces and . - _ '"`
	Role string `required:"" enum:"look,work,run" help:"look: see. work: also record what people do. run: also accounts, tokens, settings."`
}

// Run adds the account.
func (c *accountAddCmd) Run(ctx context.Context) error {
	return c.with(ctx, func(d *door.Door) error {
		role, err := record.ParseRole(c.Role)
		if err != nil {
			return err
		}
		password, err := c.read()
		if err != nil {
			return err
		}
		return d.AddAccount(ctx, c.Name, role, password, c.Author)
	})
}

type accountListCmd struct{ atDoor }

// Run lists the accounts.
func (c *accountListCmd) Run(ctx context.Context) error {
	return c.with(ctx, func(d *door.Door) error {
		accounts, err := d.Accounts(ctx)
		if err != nil {
			return err
		}
		for _, a := range accounts {
			fmt.Printf("%s\t%s\tmade %s\t%s\n", a.Name, a.Role, a.Made, lastUsed("signed in", a.LastIn))
		}
		return nil
	})
}

func lastUsed(what string, t unit.Instant) string {
	if t == 0 {
		return "never " + what
	}
	return what + " " + t.String()
}

type accountRoleCmd struct {
	atDoor
	Name string `arg:"" help:"The account's name."`
	Role string `arg:"" enum:"look,work,run" help:"look, work or run."`
}

// Run gives the account the role.
func (c *accountRoleCmd) Run(ctx context.Context) error {
	return c.with(ctx, func(d *door.Door) error {
		role, err := record.ParseRole(c.Role)
		if err != nil {
			return err
		}
		return d.SetRole(ctx, c.Name, role, c.Author)
	})
}

type accountPasswordCmd struct {
	atDoor
	passwordFlag
	Name string `arg:"" help:"The account's name."`
}

// Run sets the password.
func (c *accountPasswordCmd) Run(ctx context.Context) error {
	return c.with(ctx, func(d *door.Door) error {
		password, err := c.read()
		if err != nil {
			return err
		}
		return d.SetPassword(ctx, c.Name, password, c.Author)
	})
}

type accountRemoveCmd struct {
	atDoor
	Name string `arg:"" help:"The account's name."`
}

// Run removes the account.
func (c *accountRemoveCmd) Run(ctx context.Context) error {
	return c.with(ctx, func(d *door.Door) error { return d.RemoveAccount(ctx, c.Name, c.Author) })
}

type tokenCmd struct {
	Add    tokenAddCmd    `cmd:"" help:"Let a program in: make a token, which is printed once."`
	List   tokenListCmd   `cmd:"" help:"List tokens."`
	Revoke tokenRevokeCmd `cmd:"" help:"Make a token worthless."`
}

type tokenAddCmd struct {
	atDoor
	Name    string        `arg:"" help:"What the token is for."`
	Role    string        `required:"" enum:"look,work,run" help:"look: see. work: also record what people do. run: also accounts, tokens, settings."`
	Expires time.Duration `default:"8760h" help:"How long it is good for, as in 720h."`
}

// Run makes the token and prints it.
func (c *tokenAddCmd) Run(ctx context.Context) error {
	return c.with(ctx, func(d *door.Door) error {
		role, err := record.ParseRole(c.Role)
		if err != nil {
			return err
		}
		secret, err := d.AddToken(ctx, c.Name, role, c.Expires, c.Author)
		if err != nil {
			return err
		}
		fmt.Println(secret)
		return nil
	})
}

type tokenListCmd struct{ atDoor }

// Run lists the tokens.
func (c *tokenListCmd) Run(ctx context.Context) error {
	return c.with(ctx, func(d *door.Door) error {
		tokens, err := d.Tokens(ctx)
		if err != nil {
			return err
		}
		now := d.Now()
		for _, k := range tokens {
			state := "good until "
			if k.Expires <= now {
				state = "expired "
			}
			fmt.Printf("%s\t%s\t%s%s\tmade by %s\t%s\n", k.Name, k.Role, state, k.Expires, k.Author, lastUsed("used", k.Used))
		}
		return nil
	})
}

type tokenRevokeCmd struct {
	atDoor
	Name string `arg:"" help:"The token's name."`
}

// Run revokes the token.
func (c *tokenRevokeCmd) Run(ctx context.Context) error {
	return c.with(ctx, func(d *door.Door) error { return d.RemoveToken(ctx, c.Name, c.Author) })
}
