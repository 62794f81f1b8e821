"""One small piece in the other formats that are read: kern, ABC and MEI."""

from __future__ import annotations

KERN = (
    b"**kern\t**kern\n*Ipiano\t*Ipiano\n*clefF4\t*clefG2\n*k[b-]\t*k[b-]\n*M3/4\t*M3/4\n"
    b"*MM96\t*MM96\n=1\t=1\n4F\t4a 4cc\n4C\t8f#L\n.\t8gJ\n4C\t4b-\n=2\t=2\n2.FF\t6a\n.\t6g\n.\t6f\n"
    b".\t4cc;\n==\t==\n*-\t*-\n"
)

ABC = (
    b"X:1\nT:A small tune\nM:3/4\nL:1/8\nQ:1/4=96\nK:F\n"
    b'"F"[A2c2] ^FG B2|(3AGF c4-|c2 {g}f2 z2|1 F6:|2 [FAc]6|]\n'
)

MEI = (
    b'<?xml version="1.0" encoding="UTF-8"?>\n'
    b'<mei xmlns="http://www.music-encoding.org/ns/mei"><meiHead><fileDesc><titleStmt>'
    b"<title>A small tune</title></titleStmt></fileDesc></meiHead><music><body><mdiv><score>"
    b'<scoreDef meter.count="3" meter.unit="4" key.sig="1f"><staffGrp>'
    b'<staffDef n="1" lines="5" clef.shape="G" clef.line="2" label="Harp"/>'
    b'<staffDef n="2" lines="5" clef.shape="F" clef.line="4"/></staffGrp></scoreDef><section>'
    b'<measure n="1"><staff n="1"><layer n="1"><chord dur="4"><note pname="a" oct="4"/>'
    b'<note pname="c" oct="5"/></chord><beam><note pname="f" oct="4" accid="s" dur="8"/>'
    b'<note pname="g" oct="4" dur="8"/></beam><note pname="b" oct="4" accid.ges="f" dur="4"/>'
    b"</layer></staff>"
    b'<staff n="2"><layer n="1"><note pname="f" oct="3" dur="4"/><note pname="c" oct="3" dur="2"/>'
    b"</layer></staff></measure>"
    b'<measure n="2" right="end"><staff n="1"><layer n="1"><note pname="f" oct="4" dur="2" '
    b'dots="1"/></layer></staff><staff n="2"><layer n="1"><rest dur="2" dots="1"/></layer></staff>'
    b"</measure></section></score></mdiv></body></music></mei>\n"
)

FORMATS = {"humdrum": KERN, "abc": ABC, "mei": MEI}
