"""Completion for PowerShell, which click does not bring; bash, zsh and fish are click's own."""

from __future__ import annotations

import os
from typing import ClassVar

from click.shell_completion import CompletionItem, ShellComplete, add_completion_class

_SOURCE = """\
Register-ArgumentCompleter -Native -CommandName %(prog_name)s -ScriptBlock {
    param($word, $line, $cursor)
    $env:COMP_WORDS = $line.ToString()
    $env:COMP_WORD = $word
    $env:%(complete_var)s = "powershell_complete"
    %(prog_name)s | ForEach-Object {
        $value, $help = $_ -split "`t", 2
        $kind = "ParameterValue"
        [System.Management.Automation.CompletionResult]::new($value, $value, $kind, $help)
    }
    $env:%(complete_var)s = ""
}
"""


class PowerShellComplete(ShellComplete):
    """`blend` asked by PowerShell for the words that may come next."""

    name: ClassVar[str] = "powershell"
    source_template: ClassVar[str] = _SOURCE

    def get_completion_args(self) -> tuple[list[str], str]:
        word = os.environ.get("COMP_WORD", "")
        words = os.environ.get("COMP_WORDS", "").split()[1:]
        if words and word and words[-1] == word:
            words.pop()
        return words, word

    def format_completion(self, item: CompletionItem) -> str:
        return f"{item.value}\t{item.help or item.value}"


def register() -> None:
    add_completion_class(PowerShellComplete)
