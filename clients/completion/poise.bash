# bash completion for the programs of Poise.  What they offer they print themselves, so that this cannot go stale.
_poise() {
    local program=${COMP_WORDS[0]} word=${COMP_WORDS[COMP_CWORD]} previous=${COMP_WORDS[COMP_CWORD - 1]} help words
    case $previous in
    --config | --store | --html | --svg | --plan | --csv | --home | load | check)
        compopt -o filenames
        mapfile -t COMPREPLY < <(compgen -f -- "$word")
        return
        ;;
    esac
    help=$("$program" --help 2>/dev/null)
    words=$(grep -oE -- '--[a-z][a-z-]*' <<<"$help" | sort -u)
    [[ $word == -* ]] || words=$(sed -nE 's/^  ([a-z][a-z-]*)( .*)?$/\1/p' <<<"$help")
    mapfile -t COMPREPLY < <(compgen -W "$words" -- "$word")
}
complete -F _poise poised poise-timer poise-logger poise-ctl poise-board poise-report poise-taste poise-share poise-site
