package main

import (
	"cmp"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"runtime/debug"
	"strings"

	"github.com/alecthomas/kong"

	"nightsoak/acquire/tube"
	"nightsoak/drivers/catalogue"
)

// manualCmd is for the packages: man pages and completions, from the same grammar
// that parses the command line, so that they cannot tell of another one.
type manualCmd struct {
	Dir string `arg:"" help:"Folder that they are written into."`
}

// Run writes nightsoak.1, a page for each command, nightsoak.bash, _nightsoak
// (zsh) and nightsoak.fish.
func (c *manualCmd) Run(k *kong.Context) error {
	var commands []*kong.Node
	for _, n := range k.Model.Children {
		if !n.Hidden {
			commands = append(commands, n)
		}
	}
	files := map[string]string{"nightsoak.1": mainPage(k.Model.Node, commands), "nightsoak.bash": bashCompletion(commands),
		"_nightsoak": zshCompletion(commands), "nightsoak.fish": fishCompletion(commands)}
	for _, n := range commands {
		files["nightsoak-"+n.Name+".1"] = commandPage(n)
	}
	err := os.MkdirAll(c.Dir, 0o755)
	for name, text := range files {
		err = errors.Join(err, os.WriteFile(filepath.Join(c.Dir, name), []byte(text), 0o644))
	}
	return err
}

// roff is text as roff(7) takes it: a backslash, a hyphen that is to be copied, a
// dot or quote where a request would begin.
func roff(s string) string {
	s = strings.NewReplacer(`\`, `\e`, "-", `\-`).Replace(s)
	if strings.HasPrefix(s, ".") || strings.HasPrefix(s, "'") {
		s = `\&` + s
	}
	return s
}

// heading begins a page. Its date is the commit's, for the same commit is to give
// the same bytes.
func heading(name, about string) string {
	date := ""
	if info, ok := debug.ReadBuildInfo(); ok {
		_, at := commit(info)
		date, _, _ = strings.Cut(at, "T")
	}
	return fmt.Sprintf(".TH %s 1 %q nightsoak \"User Commands\"\n.SH NAME\n%s \\- %s\n", roff(strings.ToUpper(name)), date, roff(name), roff(about))
}

// exits are CONTRACT's, in the words of a manual.
const exits = `.SH EXIT STATUS
.TP
.B 0
It is done.
.TP
.B 1
It failed while running.
.TP
.B 2
Bad usage, or an invalid file.
.TP
.B 3
What was asked about is not as it should be.
`

func mainPage(root *kong.Node, commands []*kong.Node) string {
	var b strings.Builder
	b.WriteString(heading("nightsoak", "watch valve amplifiers on soak"))
	b.WriteString(`.SH SYNOPSIS
.B nightsoak
.I command
[\fIarguments\fR] [\fIflags\fR]
.SH DESCRIPTION
A daemon that watches valve (tube) guitar amplifiers idle and burn in: it reads meters, turns sense and plate volts into current and dissipation per socket, says when the idle has settled, raises alarms, can drop the mains, shows a wall screen and keeps the record.
.PP
.B It is not a safety device.
It replaces no fuse, no guard, no smoke alarm and no person; it can be wrong, late or dead.
Hundreds of volts stay in an amplifier long after it is switched off: prove every capacitor dead by measuring.
Whether an amplifier may be left alone is for local rules and licensed practice to say.
.SH COMMANDS
`)
	for _, n := range commands {
		fmt.Fprintf(&b, ".TP\n.BR nightsoak\\-%s (1)\n%s\n", roff(n.Name), roff(n.Help))
	}
	b.WriteString(exits + `.SH ENVIRONMENT
.TP
.B STATE_DIRECTORY
Where the record goes when the bench file does not say; else
.BR XDG_DATA_HOME ,
else
.IR ~/.local/share .
.TP
.B CREDENTIALS_DIRECTORY
Where secrets are that the bench file names without a slash.
.TP
.BR NOTIFY_SOCKET ", " WATCHDOG_USEC ", " LISTEN_FDS
Set by
.BR systemd (1):
ready, the core's signs of life, and the panel's sockets.
.SH FILES
.TP
.IR /etc/nightsoak/bench.toml ", " /etc/nightsoak/job.toml
What the service runs by; one folder a bench for
.IR nightsoak@.service .
.TP
.I /var/lib/nightsoak
The service's record.
.TP
.I /usr/share/doc/nightsoak/README.md
From the parts list to the first soak, all keys, all alarms.
`)
	return b.String()
}

func commandPage(n *kong.Node) string {
	var b strings.Builder
	b.WriteString(heading("nightsoak-"+n.Name, strings.TrimSuffix(n.Help, ".")))
	fmt.Fprintf(&b, ".SH SYNOPSIS\n.B nightsoak %s\n", roff(n.Name))
	for _, p := range n.Positional {
		fmt.Fprintln(&b, roff(p.Summary()))
	}
	for _, f := range n.Flags {
		if f.Required {
			fmt.Fprintf(&b, "\\fB%s\\fR\\fI%s\\fR\n", roff("--"+f.Name+"="), roff(value(f)))
		}
	}
	fmt.Fprintf(&b, "[\\fIflags\\fR]\n.SH DESCRIPTION\n%s\n", roff(cmp.Or(n.Detail, n.Help)))
	if len(n.Positional) > 0 {
		b.WriteString(".SH ARGUMENTS\n")
	}
	for _, p := range n.Positional {
		fmt.Fprintf(&b, ".TP\n.I %s\n%s\n", roff(p.Name), roff(p.Help))
	}
	b.WriteString(".SH OPTIONS\n")
	for _, f := range flags(n) {
		name := roff("--" + f.Name)
		if f.Short != 0 {
			name = roff("-"+string(f.Short)) + ", " + name
		}
		fmt.Fprintf(&b, ".TP\n\\fB%s\\fR", name)
		if !f.IsBool() {
			fmt.Fprintf(&b, "=\\fI%s\\fR", roff(value(f)))
		}
		fmt.Fprintf(&b, "\n%s\n", roff(f.Help))
		if f.HasDefault && !strings.Contains(f.Help, f.Default) {
			fmt.Fprintf(&b, "Default: %s.\n", roff(f.Default))
		}
	}
	b.WriteString(exits + ".SH SEE ALSO\n.BR nightsoak (1)\n")
	return b.String()
}

// value is what stands for a flag's value.
func value(f *kong.Flag) string { return cmp.Or(f.PlaceHolder, strings.ToUpper(f.Name)) }

// flags are those of a command, and --help.
func flags(n *kong.Node) []*kong.Flag {
	var out []*kong.Flag
	for _, group := range n.AllFlags(true) {
		out = append(out, group...)
	}
	return out
}

// words are what a value can be, if that is a short list.
func words(v *kong.Value) []string {
	switch strings.ToLower(v.Name) {
	case "format":
		return catalogue.Names()
	case "tube", "type":
		var names []string
		for _, t := range tube.All() {
			names = append(names, t.Name)
		}
		return names
	}
	if v.Enum == "" {
		return nil
	}
	return v.EnumSlice()
}

// argument has the words that a command's first argument can be.
func argument(n *kong.Node) []string {
	if len(n.Positional) == 0 {
		return nil
	}
	return words(n.Positional[0])
}

// quoted is s in single quotes, as all three shells read them.
func quoted(s string) string { return "'" + strings.ReplaceAll(s, "'", `'\''`) + "'" }

func bashCompletion(commands []*kong.Node) string {
	var names []string
	var values, own strings.Builder
	for _, n := range commands {
		names = append(names, n.Name)
		var all []string
		for _, f := range flags(n) {
			all = append(all, "--"+f.Name)
			if w := words(f.Value); w != nil {
				fmt.Fprintf(&values, "    %q) words=%s ;;\n", n.Name+" --"+f.Name, quoted(strings.Join(w, " ")))
			}
		}
		fmt.Fprintf(&own, "    %s) flags=%s words=%s ;;\n", n.Name, quoted(strings.Join(all, " ")), quoted(strings.Join(argument(n), " ")))
	}
	return `# Completion of nightsoak for bash, made by the program itself.
_nightsoak() {
  local cur=${COMP_WORDS[COMP_CWORD]} prev=${COMP_WORDS[COMP_CWORD-1]} command='' flags='' words='' w
  # bash takes --flag=value for three words.
  if [[ $prev == = ]]; then prev=${COMP_WORDS[COMP_CWORD-2]}; fi
  if [[ $cur == = ]]; then cur=''; fi
  for w in "${COMP_WORDS[@]:1:COMP_CWORD-1}"; do
    case $w in ` + strings.Join(names, "|") + `) command=$w; break ;; esac
  done
  case $command in
    '') words=` + quoted(strings.Join(names, " ")) + ` flags=--help ;;
` + own.String() + `  esac
  if [[ $prev == --* && $prev != --help ]]; then flags=''; fi
  case "$command $prev" in
` + values.String() + `  esac
  if [[ $cur == -* ]]; then words=$flags; fi
  # Nothing to offer: the shell offers files.
  mapfile -t COMPREPLY < <(compgen -W "$words" -- "$cur")
}
complete -o default -F _nightsoak nightsoak
`
}

func zshCompletion(commands []*kong.Node) string {
	inBrackets := strings.NewReplacer("[", `\[`, "]", `\]`, ":", `\:`)
	var list, own strings.Builder
	for _, n := range commands {
		fmt.Fprintf(&list, "    %s\n", quoted(n.Name+":"+n.Help))
		fmt.Fprintf(&own, "        %s) _arguments", n.Name)
		for _, f := range flags(n) {
			spec := "--" + f.Name
			if !f.IsBool() {
				spec += "="
			}
			spec += "[" + inBrackets.Replace(f.Help) + "]"
			if w := words(f.Value); w != nil {
				spec += ":" + f.Name + ":(" + strings.Join(w, " ") + ")"
			} else if !f.IsBool() {
				spec += ":" + inBrackets.Replace(value(f)) + ":_files"
			}
			fmt.Fprintf(&own, " \\\n          %s", quoted(spec))
		}
		rest := "*:file:_files"
		if w := argument(n); w != nil {
			rest = "*:" + n.Positional[0].Name + ":(" + strings.Join(w, " ") + ")"
		}
		fmt.Fprintf(&own, " \\\n          %s ;;\n", quoted(rest))
	}
	return `#compdef nightsoak
# Completion of nightsoak for zsh, made by the program itself.
_nightsoak() {
  local curcontext=$curcontext state line
  local -a commands=(
` + list.String() + `  )
  _arguments -C '--help[Help.]' '1:command:->command' '*::argument:->argument'
  case $state in
    command) _describe -t commands command commands ;;
    argument)
      case $words[1] in
` + own.String() + `      esac ;;
  esac
}
_nightsoak "$@"
`
}

func fishCompletion(commands []*kong.Node) string {
	var b strings.Builder
	b.WriteString("# Completion of nightsoak for fish, made by the program itself.\n")
	for _, n := range commands {
		fmt.Fprintf(&b, "complete -c nightsoak -n __fish_use_subcommand -f -a %s -d %s\n", n.Name, quoted(n.Help))
		seen := quoted("__fish_seen_subcommand_from " + n.Name)
		if w := argument(n); w != nil {
			fmt.Fprintf(&b, "complete -c nightsoak -n %s -f -a %s\n", seen, quoted(strings.Join(w, " ")))
		}
		for _, f := range flags(n) {
			fmt.Fprintf(&b, "complete -c nightsoak -n %s -l %s -d %s", seen, f.Name, quoted(f.Help))
			if w := words(f.Value); w != nil {
				fmt.Fprintf(&b, " -x -a %s", quoted(strings.Join(w, " ")))
			} else if !f.IsBool() {
				b.WriteString(" -r -F")
			}
			b.WriteString("\n")
		}
	}
	return b.String()
}
