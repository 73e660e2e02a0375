"""Words of benches in Polish, Czech, Portuguese, Swedish, Danish, Russian, Japanese, Turkish, Hungarian, Finnish."""

from __future__ import annotations

COLUMNS: dict[str, str] = {
    "builder": "konstruktor|producent|výrobce|výrobek od|construtor|изготовитель|yapımcı|üretici|készítő|gyártó|valmistaja|produsent|warsztat|laboratorium|wykonawca|dílna|laboratoř|oficina|laboratório|fabricante|verkstad|laboratorium|byggare|værksted|bygger|мастерская|лаборатория|製作者|工房|研究室|atölye|laboratuvar|műhely|paja|rakentaja",
    "module": "модуль|モジュール|modül|moduł|moduuli|módulo",
    "slot": "díl|součást|componente|узел|деталь|yuva|parça|komponens|miejsce|element|pozice|součástka|posição|plats|plads|komponent|место|компонент|部位|位置|bileşen|alkatrész|paikka|osa",
    "unit": "birim|örnek|элемент|nr seryjny|próbka|egzemplarz|vzorek|sériové číslo|kus|amostra|número de série|exemplar|prov|serienummer|emne|emne nr|prøve|образец|заводской номер|個体番号|個体|試料|シリアル番号|numune|seri no|minta|sorozatszám|näyte|sarjanumero|s no",
    "part": "díl typ|тип детали|typ części|tipo|тип|型番|parça no|típus|tyyppi",
    "lot": "partia|šarže|партия|ロット|parti|tétel|erä",
    "mode": "rodzaj uszkodzenia|typ poruchy|modo de falha|felmod|fejltype|вид отказа|故障モード|arıza türü|hibamód|vikatapa",
    "status": "stan|stav|tillstånd|tilstand|состояние|状態|結果|durum|sonuç|állapot|tila|tulos",
    "shots": "число выстрелов|количество выстрелов|število strelov|počet výbojů|výboje|disparos totais|fired|shots fired|antal udladninger|discharge count|atış|laukauksia|strzały|liczba strzałów|impulsy|liczba impulsów|výstřely|počet výstřelů|počet pulsů|número de disparos|descargas|antal skott|skott|antal pulser|pulser|antal skud|skud|импульсы|число импульсов|выстрелы|繰返し数|ショット数|パルス数|放電回数|atış sayısı|darbe sayısı|lövések|lövések száma|impulzusok száma|laukausten määrä|laukaukset|pulssit",
    "charge_V": "napięcie ładowania|nabíjecí napětí|tensão de carga|laddspänning|ladespænding|напряжение заряда|зарядное напряжение|充電電圧|şarj gerilimi|töltőfeszültség|latausjännite",
    "rated_V": "napięcie znamionowe|jmenovité napětí|tensão nominal|märkspänning|nominel spænding|номинальное напряжение|定格電圧|anma gerilimi|névleges feszültség|nimellisjännite",
    "capacitance_uF": "pojemność|kapacita|capacitância|kapacitans|kapacitet|ёмкость|静電容量|容量|kapasite|kapacitás|kapasitanssi",
    "temp_C": "temperatura|teplota|температура|温度|sıcaklık|hőmérséklet|lämpötila",
    "date": "dzień|datum|dato|дата|日付|tarih|dátum|päivämäärä|päiväys",
    "note": "uwagi|poznámka|poznámky|observações|anmärkning|bemærkning|примечание|備考|açıklama|megjegyzés|huomautus",
}  # fmt: skip
"""our column: names that benches use for it, beside those of ``vocabulary``"""

SLOTS: dict[str, str] = {
    "main_capacitor": "kondensatory główne|kondensatorów głównych|kondensatora głównego|главные конденсаторы|condensadores principais|condensador principal|kondensator główny|hlavní kondenzátor|capacitor principal|huvudkondensator|hovedkondensator|основной конденсатор|главный конденсатор|主コンデンサ|メインコンデンサ|ana kondansatör|fő kondenzátor|pääkondensaattori",
    "igniter": "zapalnik|świeca|zapalovač|ignitor|tändare|tænder|запал|свеча|イグナイタ|点火プラグ|ateşleyici|gyújtó|sytytin",
    "switch": "przełącznik|spínač|chave|strömställare|afbryder|ключ|スイッチ|anahtar|kapcsoló|kytkin",
    "converter": "przetwornica|měnič|conversor|omvandlare|omformer|преобразователь|コンバータ|dönüştürücü|átalakító|muunnin",
}  # fmt: skip

ALIVE = "sprawna|sprawne|dobra|исправна|çalışır|virker fint|sprawny|działa|dobry|v pořádku|funguje|dobrý|funcionando|operante|bom|fungerar|hel|går|virker|kører|работает|исправен|жив|正常|良好|稼働中|çalışıyor|sağlam|működik|jó|toimii|ehjä|kunnossa"  # fmt: skip
DEAD: dict[str, str] = {
    "unknown": "uszkodzona|failure|faulty|blown|burnt|gone|ko|nok|ng|uszkodzony|zepsuty|nie działa|vadný|nefunguje|falhou|falha|queimado|defeituoso|trasig|fungerar inte|virker ikke|død|ödelagt|отказ|неисправен|не работает|故障|不良|arızalı|bozuk|hibás|nem működik|rikki|ei toimi",
    "short": "zwarcie|przebicie|zkrat|průraz|curto|curto circuito|kortslutning|kortslutet|genomslag|gennemslag|пробой|короткое замыкание|кз|短絡|ショート|kısa devre|zárlat|rövidzárlat|oikosulku",
    "open": "przerwa|přerušení|aberto|circuito aberto|avbrott|afbrudt|обрыв|断線|開放|açık devre|szakadás|katkos",
}  # fmt: skip
TOTALS = "razem|suma|średnia|celkem|součet|průměr|soma|média|summa|medel|i alt|gennemsnit|итого|всего|среднее|合計|平均|toplam|ortalama|összesen|átlag|yhteensä|keskiarvo|grand total|sum total|σ|∑|⌀"  # fmt: skip

MONTHS = {
    w: i + 1
    for names in (
        "january february march april may june july august september october november december",
        "jan feb mar apr may jun jul aug sep oct nov dec",
        "januar februar marz april mai juni juli august september oktober november dezember",
        "jan feb mrz apr mai jun jul aug sept okt nov dez",
        "janvier fevrier mars avril mai juin juillet aout septembre octobre novembre decembre",
        "janv fevr mars avr mai juin juil aout sept oct nov dec",
        "enero febrero marzo abril mayo junio julio agosto septiembre octubre noviembre diciembre",
        "gennaio febbraio marzo aprile maggio giugno luglio agosto settembre ottobre novembre dicembre",
        "janeiro fevereiro marco abril maio junho julho agosto setembro outubro novembro dezembro",
        "januari februari maart april mei juni juli augustus september oktober november december",
    )
    for i, w in enumerate(names.split())
}
"""plain names of months in languages that agree on what each word means"""
