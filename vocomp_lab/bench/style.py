"""How the widgets look, in the light and in the dark theme, and larger for a projector."""

from __future__ import annotations

import html

STYLE = """<style>
.vocomp-bench,.vocomp-player,.vocomp-player-notes,.vocomp-hand-bar,.vocomp-load{--vocomp-accent:#0072B2;--vocomp-edge:#767676}
[data-jp-theme-light=false] :is(.vocomp-bench,.vocomp-player,.vocomp-player-notes,.vocomp-hand-bar,.vocomp-load){--vocomp-accent:#56B4E9;
 --vocomp-edge:#8c8c8c}
:is(.vocomp-bench,.vocomp-player,.vocomp-player-notes,.vocomp-hand-bar,.vocomp-load) :focus-visible{
 outline:2px solid var(--vocomp-accent)!important;outline-offset:0}
:is(.vocomp-bench,.vocomp-load) input:focus-visible:focus-visible:focus-visible{
 outline:2px solid var(--vocomp-accent)!important}
:is(.vocomp-player,.vocomp-hand-bar) :focus-visible,.vocomp-bench .noUi-handle:focus-visible{
 outline-offset:2px!important}
:is(.vocomp-bench,.vocomp-load) :is(input,select,textarea){border-color:var(--vocomp-edge)!important}
[data-jp-theme-light=false] :is(.vocomp-bench,.vocomp-load) select{color-scheme:dark}
.vocomp-bench .noUi-target,.vocomp-bench .noUi-target .noUi-connects{background:var(--vocomp-edge)}
.vocomp-bench .noUi-target .noUi-connect,.vocomp-bench .noUi-target .noUi-handle{background:var(--vocomp-accent);
 border-color:var(--vocomp-accent)}
.vocomp-bench .widget-toggle-button.mod-active::before{content:"✓ " / ""}
.vocomp-player{font-family:var(--jp-ui-font-family,sans-serif);font-size:14px;color:var(--jp-ui-font-color1,#111);
 border:1px solid var(--jp-border-color1,#bbb);border-radius:4px;padding:3px 10px;margin:2px 0;max-width:1098px}
.vocomp-player-notes{font-family:var(--jp-ui-font-family,sans-serif);font-size:14px;color:var(--jp-ui-font-color1,#111);
 margin:2px 0;max-width:1118px}
.vocomp-player .row{display:flex;flex-wrap:wrap;gap:4px 16px;align-items:center}
.vocomp-player:not(.vocomp-present) .rows .row+.row{margin-top:3px}
.vocomp-player fieldset{border:0;margin:0;padding:0;display:flex;gap:12px}
.vocomp-player legend{float:left;padding:0;margin-right:8px}
.vocomp-player label{display:inline-flex;gap:5px;align-items:center}
.vocomp-player :is(label,.vocomp-band,.row)[hidden]{display:none}
.vocomp-band{display:inline-flex;gap:5px 16px;align-items:center}
.vocomp-practice .vocomp-player{flex:1 1 auto}
.vocomp-player [data-part=balance]{width:160px}
.vocomp-player [data-part=coarse]{flex:1 1 120px}
.vocomp-player [data-part=fine]{width:220px}
.vocomp-player :is([data-part=balance-text],[data-part=align-text]){min-width:64px;font-variant-numeric:tabular-nums}
:is(.vocomp-player,.vocomp-player-notes) button{font:inherit;padding:3px 12px;color:inherit;background:var(--jp-layout-color2,#eee);
 border:1px solid var(--jp-border-color0,#888);border-radius:3px;cursor:pointer}
.vocomp-player button[data-part=play]{min-width:76px;font-weight:600}
.vocomp-player input[type=range]{accent-color:var(--vocomp-accent)}
.vocomp-player label.wide{flex:1 1 240px}
.vocomp-player [data-part=seek]{flex:1 1 120px}
.vocomp-player [data-part=volume]{width:110px}
.vocomp-volume{display:inline-flex;gap:8px;align-items:center;white-space:nowrap}
.vocomp-volume [data-part=volume-text]{min-width:48px}
.vocomp-player [data-part=clock]{min-width:96px;font-variant-numeric:tabular-nums}
:is(.vocomp-player,.vocomp-player-notes) textarea{width:100%;height:110px;font-family:monospace;font-size:12px;box-sizing:border-box;
 color:inherit;background:var(--jp-layout-color1,#fff)}
.vocomp-player-notes details{margin-top:4px}
.vocomp-body{display:flex;flex-flow:row wrap;gap:0 16px;overflow:visible;align-items:flex-start;max-width:1720px}
.vocomp-body>.widget-vbox{flex:1 1 480px;overflow:visible}
.vocomp-body>.widget-box:last-child{flex:0 1 auto;min-width:0}
.vocomp-controls{display:grid;grid-template-columns:repeat(auto-fill,minmax(min(460px,100%),1fr));max-width:1120px}
.vocomp-present .vocomp-controls{grid-template-columns:repeat(auto-fill,minmax(min(480px,100%),1fr))}
.vocomp-needle{display:flex;gap:10px;align-items:center}
.vocomp-needle[hidden]{display:none}
.vocomp-needle [role=img]{display:flex;gap:8px;align-items:center}
.vocomp-needle canvas{width:100px;height:46px;accent-color:var(--vocomp-accent)}
.vocomp-needle [data-show=text]{width:172px;font-size:12px;line-height:1.25;font-variant-numeric:tabular-nums;white-space:pre}
.vocomp-player-notes .keys{font-size:12px}
.vocomp-player-notes .keys kbd{font-size:inherit}
.vocomp-numbers{display:flex;flex-wrap:wrap;gap:2px 22px;font-size:14px;line-height:1.5;color:var(--jp-ui-font-color1,#111)}
.vocomp-numbers b{font-variant-numeric:tabular-nums}
.vocomp-error{color:var(--jp-ui-font-color1,#111);border-left:5px solid #D55E00;padding:2px 8px;font-size:14px}
.vocomp-still img{max-width:100%}
.vocomp-step{font-size:15px;line-height:1.4;color:var(--jp-ui-font-color1,#111);margin:2px 0}
.vocomp-present{--jp-widgets-font-size:18px;--jp-widgets-inline-height:32px}
.vocomp-present .widget-label{width:auto!important;min-width:110px}
.vocomp-present .widget-button,.vocomp-present .widget-toggle-button{width:auto}
.vocomp-present .vocomp-typed{width:92px!important}
.vocomp-present .vocomp-numbers,.vocomp-present .vocomp-error,.vocomp-player.vocomp-present{font-size:18px}
.vocomp-player.vocomp-present .row{gap:2px 12px}
.vocomp-player.vocomp-present .rows{display:flex;flex-wrap:wrap;gap:2px 12px;align-items:center}
.vocomp-player.vocomp-present .rows .row:not([data-part=align-box]){display:contents}
.vocomp-player.vocomp-present :is([data-part=align-box],[data-part=balance-text],.vocomp-band label+label),
.vocomp-player.vocomp-present:not([data-way]) .vocomp-way{display:none}
.vocomp-player select{font:inherit;max-width:270px}
.vocomp-player.vocomp-present select{max-width:190px}
.vocomp-player.vocomp-present label.wide{flex-basis:170px}
.vocomp-player.vocomp-present [data-part=seek]{flex-basis:60px}
.vocomp-player.vocomp-present [data-part=volume]{width:80px}
.vocomp-player.vocomp-present legend{position:absolute;width:1px;height:1px;overflow:hidden;clip-path:inset(50%)}
.vocomp-player.vocomp-present .vocomp-needle [data-show=text]{font-size:18px;line-height:1.15;width:215px}
.vocomp-player.vocomp-present .vocomp-needle label{display:none}
.vocomp-present .widget-dropdown{width:auto!important}
.vocomp-present .vocomp-step{font-size:22px;line-height:1.2;margin:0}
.vocomp-step .vocomp-answer{display:block;font-size:.82em}
.vocomp-present .widget-text:not(.vocomp-hands,.vocomp-typed){width:auto!important}
.vocomp-present .widget-text input[type=text]{min-width:92px}
.vocomp-present .vocomp-editor :is(.widget-text,.vocomp-aside),.vocomp-present.vocomp-by-hand .vocomp-controls{display:none}
.vocomp-present .vocomp-editor .widget-select>select{height:80px;min-height:0}
.vocomp-told table{border-collapse:collapse;font-size:14px;color:var(--jp-ui-font-color1,#111)}
.vocomp-told :is(td,th){padding:2px 10px;line-height:1.3;font-variant-numeric:tabular-nums}
.vocomp-hands input{min-width:88px}
/* JupyterLab breaks printed lines anywhere, even inside a word. */
.jp-OutputArea-output.jp-RenderedText pre{word-break:normal!important;overflow-wrap:anywhere}
.vocomp-reference{font-family:var(--jp-ui-font-family,sans-serif);font-size:12px;color:var(--jp-ui-font-color1,#111);margin:2px 0}
.vocomp-reference a{color:inherit;text-decoration:underline}
.vocomp-tally{border-collapse:collapse;color:inherit;font-size:.82em}
.vocomp-tally th{text-align:left;font-weight:normal;padding:1px 14px 1px 0}
.vocomp-tally td{text-align:right;padding:1px 14px 1px 0;font-variant-numeric:tabular-nums}
.vocomp-tally i{display:block;height:.8em;background:var(--vocomp-accent)}
.vocomp-player-notes.vocomp-present{font-size:18px}
.vocomp-player-notes.vocomp-present .keys{font-size:16px}
</style>"""

NO_KERNEL = "<p>Run this cell for its controls and its sound.</p>"
"""Stands under the still picture that replaces a bench where no kernel runs, or where the page didn't find the bench."""


def error_html(sentence: str) -> str:
    """A sentence that says what went wrong. Screen readers read it out at once."""
    return f'<div class="vocomp-error" role="alert">{html.escape(str(sentence))}</div>'
