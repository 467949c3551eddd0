REM Hands the first sheet of a spreadsheet in as a parts list, and shows jobs and the night report in sheets beside it.
REM
REM For LibreOffice: Tools, Macros, Edit Macros; put this text into a module. SendPartsList, ShowJobs and ShowNightReport may be put on
REM buttons. The server must be one that needs no token, which is the one on the same machine; elsewhere use its watched folder.

Option Explicit

Const SERVER = "http://127.0.0.1:4750"
REM The shop document that the server keeps under this name; "" where it keeps only one.
Const SHOP = "workshop"
Const WORKBOOK = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"

Sub SendPartsList
  MsgBox Send(ThisComponent, SERVER)
End Sub

Sub ShowJobs
  Fill(ThisComponent, "jobs", Fetch(SERVER & "/v1/jobs?as=csv"))
End Sub

Sub ShowNightReport
  Fill(ThisComponent, "night report", Fetch(SERVER & "/v1/night-report?as=csv"))
End Sub

REM The same for a file and without a window, so that it can be started from a script:
REM soffice --headless "macro:///Standard.Module1.SendFile(/srv/shelf.ods,http://127.0.0.1:4750)"
Sub SendFile(path As String, address As String)
  Dim document, hidden(0) As New com.sun.star.beans.PropertyValue
  hidden(0).Name = "Hidden"
  hidden(0).Value = True
  document = StarDesktop.loadComponentFromURL(ConvertToURL(path), "_blank", 0, hidden())
  REM Without a window nobody could read a message: it goes into the sheet.
  On Error GoTo Failed
  Send(document, address)
  Fill(document, "night report", Fetch(address & "/v1/night-report?as=csv"))
Done:
  document.store()
  document.close(True)
  Exit Sub
Failed:
  Fill(document, "night report", Array(Array("message"), Array("Not fetched: " & Error$)))
  Resume Done
End Sub

REM Checks the list first: what is wrong stands in the sheet "problems" then, by row and column. Hands it in when nothing is.
Function Send(document, address As String) As String
  Dim problems, jobs, query
  On Error GoTo Failed
  query = "name=" & Escaped(Title(document))
  If SHOP <> "" Then query = query & "&shop=" & Escaped(SHOP)
  problems = Post(document, address & "/v1/lists?dry-run=true&as=csv&" & query)
  Fill(document, "problems", problems)
  If UBound(problems) > 0 Then
    Send = UBound(problems) & " problems; they stand in the sheet ""problems""."
    Exit Function
  End If
  jobs = Post(document, address & "/v1/lists?as=csv&" & query)
  Fill(document, "jobs", jobs)
  Send = UBound(jobs) & " jobs handed in."
  Exit Function
Failed:
  Send = "Not handed in: " & Error$
  Fill(document, "problems", Array(Array("message"), Array(Send)))
End Function

REM Sends the document as a workbook: numbers go as they are, whatever language they are shown in.
Function Post(document, address As String)
  Dim files, content, path, saved(0) As New com.sun.star.beans.PropertyValue
  Dim body As New com.sun.star.ucb.PostCommandArgument2
  Dim command As New com.sun.star.ucb.Command
  saved(0).Name = "FilterName"
  saved(0).Value = "Calc MS Excel 2007 XML"
  path = Temporary()
  document.storeToURL(path, saved())
  files = createUnoService("com.sun.star.ucb.SimpleFileAccess")
  body.Source = files.openFileRead(path)
  body.Sink = createUnoService("com.sun.star.io.Pipe")
  body.MediaType = WORKBOOK
  command.Name = "post"
  command.Handle = -1
  command.Argument = body
  With createUnoService("com.sun.star.ucb.UniversalContentBroker")
    content = .queryContent(.createContentIdentifier(address))
  End With
  content.execute(command, 0, Nothing)
  files.kill(path)
  Post = Table(body.Sink)
End Function

Function Fetch(address As String)
  Fetch = Table(createUnoService("com.sun.star.ucb.SimpleFileAccess").openFileRead(address))
End Function

Function Temporary() As String
  With createUnoService("com.sun.star.util.PathSettings")
    Temporary = .Temp & "/parts-list-" & Format(Now, "YYYYMMDDHHMMSS") & Int(Rnd * 100000) & ".xlsx"
  End With
End Function

REM The document's name without its folder and ending.
Function Title(document) As String
  Dim parts, word
  parts = Split(ConvertFromURL(document.URL), GetPathSeparator())
  word = parts(UBound(parts))
  parts = Split(word, ".")
  If UBound(parts) > 0 Then word = Left(word, Len(word) - Len(parts(UBound(parts))) - 1)
  If word = "" Then word = "list"
  Title = word
End Function

REM For the query of an address (RFC 3986); what has no place there becomes a dash.
Function Escaped(text As String) As String
  Dim i, letter
  For i = 1 To Len(text)
    letter = Mid(text, i, 1)
    If InStr("ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789-._~", letter) = 0 Then letter = "-"
    Escaped = Escaped & letter
  Next i
End Function

REM Reads CSV (RFC 4180) into rows of cells.
Function Table(stream)
  Dim reader, line, cell, row(), rows(), i, letter, within
  reader = createUnoService("com.sun.star.io.TextInputStream")
  reader.setEncoding("UTF-8")
  reader.setInputStream(stream)
  within = False
  Do While Not reader.isEOF()
    line = reader.readLine()
    If within Then
      cell = cell & Chr(10)
    ElseIf line = "" Then
      GoTo NextLine
    Else
      cell = ""
      row = Array()
    End If
    i = 1
    Do While i <= Len(line)
      letter = Mid(line, i, 1)
      If within And letter = """" And Mid(line, i + 1, 1) = """" Then
        cell = cell & """"
        i = i + 1
      ElseIf letter = """" Then
        within = Not within
      ElseIf letter = "," And Not within Then
        Append(row, cell)
        cell = ""
      Else
        cell = cell & letter
      End If
      i = i + 1
    Loop
    If Not within Then
      Append(row, cell)
      Append(rows, row)
    End If
NextLine:
  Loop
  reader.closeInput()
  Table = rows
End Function

Sub Append(list, value)
  ReDim Preserve list(UBound(list) + 1)
  list(UBound(list)) = value
End Sub

REM Writes a table into a sheet of its own. Numbers are written as numbers, all else as text that is no formula.
Sub Fill(document, name As String, rows)
  Dim sheet, i, j, cell
  With document.Sheets
    If .hasByName(name) Then .removeByName(name)
    .insertNewByName(name, .Count)
    sheet = .getByName(name)
  End With
  For i = 0 To UBound(rows)
    For j = 0 To UBound(rows(i))
      cell = sheet.getCellByPosition(j, i)
      If IsNumeric(rows(i)(j)) And InStr(rows(i)(j), ",") = 0 Then
        cell.Value = Val(rows(i)(j))
      Else
        cell.String = rows(i)(j)
      End If
    Next j
  Next i
End Sub
